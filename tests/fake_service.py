"""`python -m fake_service …`: the service's commands on bundles of the fake price model of `fakes.py`."""

from __future__ import annotations

from fakes import read_fake

from models.bundles import bundle
from service.cli import main

bundle._reader = lambda: read_fake

if __name__ == "__main__":
    main(prog_name="python -m service")
