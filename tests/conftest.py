"""What all tests share: property tests that repeat, and one fitted demo store for those that need it."""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
import sys
from pathlib import Path

import pytest
from hypothesis import settings

TESTS = Path(__file__).parent
ROOT = TESTS.parent

# `from fakes import …` works from every room's tests.
sys.path.insert(0, str(TESTS))

# Before numpy is loaded: a fit on one thread takes a quarter of the processor time (`training/__main__.py`).
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# The same examples on every run, so that a red one can be repeated; HYPOTHESIS_PROFILE=explore looks further.
settings.register_profile("same", derandomize=True, deadline=None, print_blob=True)
settings.register_profile("explore", deadline=None, print_blob=True, max_examples=1000)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "same"))

DEMO_SEED, DEMO_SALES = 0, 3000  # as `make serve` has it: README shows an answer of this very fit


@pytest.fixture(scope="session")
def demo_folder() -> Path:
    """The demo market's files and a store with a bundle fitted on it, made once for all workers.

    Kept under .cache, named by the hash of all that it was made with. `market/` holds the files of
    `python -m training demo`, `store/` the bundle, which is current. Tests that write take a copy.
    """
    cache = ROOT / ".cache" / "tests"
    cache.mkdir(parents=True, exist_ok=True)
    folder = cache / f"demo-{_hash_of_sources()}"
    with (cache / "lock").open("a") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not folder.is_dir():
            for old in cache.glob("demo-*"):
                shutil.rmtree(old)
            making = cache / "making"
            shutil.rmtree(making, ignore_errors=True)
            _make_demo(making)
            making.rename(folder)
    return folder


@pytest.fixture(scope="session")
def demo_market(demo_folder: Path) -> Path:
    """The folder of the demo market's files."""
    return demo_folder / "market"


@pytest.fixture(scope="session")
def demo_store(demo_folder: Path) -> Path:
    """The store whose current bundle was fitted on the demo market; not to be written to."""
    return demo_folder / "store"


def _hash_of_sources() -> str:
    found = hashlib.sha256(f"{DEMO_SEED} {DEMO_SALES}".encode())
    for room in ("models", "training"):
        for path in sorted((ROOT / room).rglob("*.py")):
            found.update(path.relative_to(ROOT).as_posix().encode() + b"\0" + path.read_bytes())
    found.update((ROOT / "requirements.lock").read_bytes())
    return found.hexdigest()[:16]


def _make_demo(folder: Path) -> None:
    # Late: most tests need neither the market nor the fit.
    from models.registry import Registry
    from training.demo.files import write_market
    from training.demo.market import make_market
    from training.reading import read_evidence
    from training.release import make_bundle

    market = make_market(DEMO_SEED, DEMO_SALES, "house")
    write_market(folder / "market", market, DEMO_SEED, progress=False)
    evidence = folder / "market" / "evidence.csv"
    reading = read_evidence(evidence, market.catalogue, market.rates, progress=False)
    # No months kept out: the twin that they would judge costs as much as the fit, and changes nothing in it.
    made = make_bundle(
        reading.rows, market.catalogue, market.rates, folder / "store", months=0, progress=False
    )
    Registry(folder / "store").promote(made.version, who="tests", why="a store to serve from")
