"""Fixtures and settings of all tests: repeatable property tests, one fitted demo store, and databases."""

from __future__ import annotations

import fcntl
import hashlib
import os
import secrets
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

ROOT = Path(__file__).parents[1]

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
        for path in sorted(p for p in (ROOT / room).rglob("*") if p.suffix in (".py", ".toml")):
            found.update(path.relative_to(ROOT).as_posix().encode() + b"\0" + path.read_bytes())
    for path in (ROOT / "requirements.lock", Path(__file__)):
        found.update(path.read_bytes())
    return found.hexdigest()[:16]


def _make_demo(folder: Path) -> None:
    # Late: most tests need neither the market nor the fit.
    from models.bundles.registry import Registry
    from models.practice import shipped
    from training.demo.files import write_market
    from training.demo.market import make_market
    from training.reading import read_evidence
    from training.release import make_bundle

    market = make_market(DEMO_SEED, DEMO_SALES, "house")
    write_market(folder / "market", market, DEMO_SEED, progress=False)
    evidence = folder / "market" / "evidence.csv"
    reading = read_evidence(evidence, market.catalogue, market.rates, progress=False)
    # With the holdout model, although it costs as much as the fit: the fit starts from what that one learned,
    # and documents show the figures that `make serve` answers.
    about = reading.rows, market.catalogue, market.rates
    made = make_bundle(*about, folder / "store", practice=shipped(), seed=0, progress=False)
    Registry(folder / "store").promote(made.version, who="tests", why="a store to serve from")


# ── databases: SQLite, and a PostgreSQL of the tests' own ────────────────────

BACKENDS = ("sqlite", "postgresql")


@pytest.fixture(scope="session", params=BACKENDS)
def backend(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(scope="session")
def postgres(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Iterator[str]:
    """The address of a real PostgreSQL, one for all workers, stopped when the last of them ends."""
    import psycopg
    from postgres import server_in

    base = tmp_path_factory.getbasetemp()
    folder = (base if worker_id == "master" else base.parent) / "postgres"
    server = server_in(folder)
    with psycopg.connect(server.get_uri(), autocommit=True) as connection:
        # What is gone when the tests end need not reach the disk.
        connection.execute("ALTER SYSTEM SET fsync = off")
        connection.execute("SELECT pg_reload_conf()")
    yield server.get_uri()
    server.cleanup()


@pytest.fixture(scope="session")
def new_database(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Callable[[str], str]:
    """Makes an empty database of a backend and gives its address."""

    def make(backend: str) -> str:
        name = f"t{secrets.token_hex(6)}"
        if backend == "sqlite":
            return f"sqlite:///{tmp_path_factory.mktemp('database')}/{name}.sqlite3"
        import psycopg

        address = request.getfixturevalue("postgres")
        with psycopg.connect(address, autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}")
        return str(address).replace("/postgres?", f"/{name}?")

    return make
