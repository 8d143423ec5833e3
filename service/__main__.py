"""`python -m service`."""

from service.cli import main

main(prog_name="python -m service")
