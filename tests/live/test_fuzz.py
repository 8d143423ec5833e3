"""All that the OpenAPI document allows and forbids, asked of a real server: schemathesis, all checks.

A few cases of each operation here; `make fuzz` asks 2,000 of each.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path

import httpx
import pytest
from fakes import write_fake
from known_ids import known
from running import Running

from models.bundles.registry import Registry
from service.keys.kinds import SCOPES

FEW = 3
CASES = int(os.environ.get("FUZZ_CASES", FEW))
MORE = os.environ.get("FUZZ_WORDS", "").split()  # options of schemathesis, such as --include-path
HOOKS = Path(__file__).parent / "fuzz_hooks.py"
ITS = [
    {"maker": "Ostvik", "model": "Dal"},
    {"maker": "Ostvik", "model": "Fjell 2", "year": 1966, "finish": "Tarn", "condition": {"neck": 3}},
    {"maker": "Séraphine & Fils", "model": "Étoile", "originality": {"nut": "modern"}},
]
PASSED = {"passed": True, "checks": [], "common_sales": 0}
CONFIG = """
# Nothing is kept for a later run: with a database hypothesis spends most of its cases on shrinking those that
# were accepted, and asks a third as many that are.
[generation]
database = "none"
# Without one it takes these for done after two hundred cases.
[[operations]]
include-path-regex = "/sending$|/revoke$|/test$"
generation.database = ":memory:"
# What the document allows can be refused for its meaning; for what, our own check says, which is stricter.
# 412 and 304: a condition was drawn that holds or does not. 410: a record was withdrawn before.
[checks]
positive_data_acceptance.expected-statuses = ["2xx", "304", "404", "409", "410", "412", "422"]
# What it forbids is refused: as no such address or method (404, 405, 414), by who asks (401), by form (415),
# as what cannot be read (400) or means nothing (422), or by what is kept, where that is looked at first.
negative_data_rejection.expected-statuses = [
    "400", "401", "404", "405", "409", "410", "412", "414", "415", "422",
]
# What is drawn must not depend on what was answered before (the stateful phase looks after that): hypothesis
# calls it inconsistent, and schemathesis then takes the operation for done, after a dozen cases or one.
[phases.fuzzing]
extra-data-sources.responses = false
"""


@pytest.fixture
def served(tmp_path: Path, backend: str, new_database: Callable[[str], str]) -> Iterator[Running]:
    store = tmp_path / "store"
    for base in (8.0, 8.5):  # so that there is one to roll back to
        Registry(store).promote(write_fake(store, base, gate=PASSED), who="tests", why="to serve")
    settings = {f"BOOKMATCH_LIMIT_{of}": "0" for of in ("SYSTEM", "WEBSITE", "VISITOR", "ADDRESS")}
    settings["BOOKMATCH_DATABASE"] = new_database(backend)
    with Running(tmp_path, store, settings=settings) as running:
        yield running


def unknown_parts(served: Running, known: Iterable[str]) -> set[str]:
    """Return the parts of paths of which no id is known, so that no request with them could meet a record."""
    paths = httpx.get(f"{served.url}/openapi.json", timeout=60).json()["paths"].values()
    parts = {one["name"] for item in paths for one in item.get("parameters", ()) if one["in"] == "path"}
    return parts - {*known, "maker", "model"}  # hooks draw these two from the catalogue


def wanted(served: Running) -> dict[str, int]:
    """Return the number of cases due to each operation: one if it has neither parameters nor a body."""
    paths = httpx.get(f"{served.url}/openapi.json", timeout=60).json()["paths"]
    return {
        f"{method.upper()} {path}": CASES
        if any(one.get(of) for one in (operation, item) for of in ("parameters", "requestBody"))
        else 1
        for path, item in paths.items()
        for method, operation in item.items()
        if method != "parameters"
    }


def phases(backend: str) -> list[str]:
    """Leave out, on SQLite, the longest phase: most that it draws is refused before a database is asked.

    `make fuzz` leaves out none.
    """
    return ["--phases", "examples,fuzzing,stateful"] if backend == "sqlite" and CASES == FEW else []


def fuzz(
    served: Running, folder: Path, key: str, ids: Mapping[str, Sequence[str]], more: Sequence[str]
) -> int:
    """Let schemathesis ask and check; it prints into `report.txt` and counts into `counts.json`."""
    config = folder / "schemathesis.toml"
    config.write_text(CONFIG)
    environment = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(str(one) for one in HOOKS.parents[:3]),
        "SCHEMATHESIS_HOOKS": str(HOOKS),
        "FUZZ_KNOWN": json.dumps(ids),
        "FUZZ_OWN_KEY": key.split("_")[1],
        "FUZZ_URL": served.url,
        "FUZZ_KEY": key,
        "FUZZ_COUNTS": str(folder / "counts.json"),
    }
    words = [
        *("--config-file", str(config), "run", f"{served.url}/openapi.json"),
        *("--header", f"Authorization: Bearer {key}", "--seed", "1", "--no-color"),
        *("--max-examples", str(CASES), "--checks", "all", "--continue-on-failure", *more, *MORE),
    ]
    with (folder / "report.txt").open("w") as report:
        program = [sys.executable, "-m", "schemathesis.cli", *words]
        done = subprocess.run(
            program, cwd=folder, env=environment, stdout=report, stderr=subprocess.STDOUT, check=False
        )
    return done.returncode


def test_nothing_that_the_document_allows_or_forbids_finds_a_fault(
    served: Running, backend: str, tmp_path: Path
) -> None:
    key = served.new_key(*SCOPES)
    ids = known(served, key, ITS)
    assert unknown_parts(served, ids) == set()
    failed = fuzz(served, tmp_path, key, ids, phases(backend))
    report = (tmp_path / "report.txt").read_text()
    print(report[-20_000:])
    assert not failed, report[-5000:]
    assert '"event":"failed"' not in served.log
    asked = json.loads((tmp_path / "counts.json").read_text())
    print(*(f"{sum(of.values()):6}  {operation:60} {of}" for operation, of in asked.items()), sep="\n")
    due = wanted(served)
    expected = [operation for operation in due if not MORE or operation in asked]
    assert not [one for one in expected if sum(asked.get(one, {}).values()) < due[one]]
