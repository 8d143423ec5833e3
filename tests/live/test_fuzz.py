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
from pictures import JPEG, jpeg
from report_facts import SETTINGS
from running import Running

from models.bundles.registry import Registry
from service.keys.kinds import SCOPES

CASES = int(os.environ.get("FUZZ_CASES", "3"))
MORE = os.environ.get("FUZZ_WORDS", "").split()  # options of schemathesis, such as --include-path
HOOKS = Path(__file__).parent / "fuzz_hooks.py"
ITS = [
    {"maker": "Ostvik", "model": "Dal"},
    {"maker": "Ostvik", "model": "Fjell 2", "year": 1966, "finish": "Tarn", "condition": {"neck": 3}},
    {"maker": "Séraphine & Fils", "model": "Étoile", "originality": {"nut": "modern"}},
]
SALE = {"kind": "sale", "date": "2025-01-02", "price": "900", "currency": "USD", "channel": "dealer"}
ASKING = {
    "contact": {"name": "Ronja Eklund", "email": "ronja@example.org"},
    "purpose": "sale",
    "consent": True,
}
PASSED = {"passed": True, "checks": [], "common_sales": 0}
OF_EACH = 4  # ids that are known, so that no record gathers a history of thousands of changes
CONFIG = """
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


def key_of(served: Running) -> str:
    return served.call(
        "keys", "create", "fuzz", *(word for name in SCOPES for word in ("--scope", name))
    ).strip()


def known(served: Running, key: str) -> dict[str, list[str]]:
    """Ids that exist, by the name of their place in a path."""
    label = {"label": "to be rotated or revoked", "scopes": ["metrics"]}
    with httpx.Client(base_url=served.url, headers={"Authorization": f"Bearer {key}"}) as client:
        made = [client.post("/v1/valuations", json={"instrument": it}).json() for it in ITS * OF_EACH]
        keys = [client.post("/v1/keys", json=label).json() for _ in range(OF_EACH)]
        sales = [{**SALE, "id": f"E{n}", "instrument": it} for n, it in enumerate(ITS * OF_EACH)]
        asking = [
            client.post("/v1/requests", json={**ASKING, "instrument": it}).json() for it in ITS * OF_EACH
        ]
        for sale in sales:
            assert client.post("/v1/evidence", json=sale).status_code == 201
        for n, it in enumerate(ITS * OF_EACH):
            assert client.put(f"/v1/items/I{n}", json={"instrument": it}).status_code == 201
        models = client.get("/v1/price-models").json()["models"]
        shots = [taken(client, one["id"]) for one in asking]
        reports = [issued(client, one["id"]) for one in asking[:OF_EACH]]
        mails = client.get("/v1/e-mails").json()["emails"]
    return {
        "email_id": [str(one["id"]) for one in mails],
        "report_id": reports,
        "valuation_id": [one["id"] for one in made],
        "key_id": [one["id"] for one in keys],
        "request_id": [one["id"] for one in asking],
        "photograph_id": shots,
        "evidence_id": [str(one["id"]) for one in sales],
        "stock_number": [f"I{n}" for n in range(len(ITS) * OF_EACH)],
        "version": [one["version"] for one in models],
    }


def taken(client: httpx.Client, request_id: str) -> str:
    """The id of a new photograph of this request."""
    path = f"/v1/requests/{request_id}/photographs?view=front"
    found = client.post(path, content=jpeg(), headers={"Content-Type": JPEG})
    assert found.status_code == 201
    return str(found.json()["id"])


def issued(client: httpx.Client, request_id: str) -> str:
    """The id of a new report on this request."""
    assert client.put("/v1/specialist", json=SETTINGS).status_code == 200
    assert client.patch(f"/v1/requests/{request_id}", json={"state": "reviewing"}).status_code == 200
    asked = {"type_of_value": "retail_replacement", "intended_use": "Insurance."}
    found = client.post(f"/v1/requests/{request_id}/reports", json=asked)
    assert found.status_code == 201, found.text
    return str(found.json()["id"])


def unknown_parts(served: Running, known: Iterable[str]) -> set[str]:
    """Return the parts of paths of which no id is known, so that no request with them could meet a record."""
    paths = httpx.get(f"{served.url}/openapi.json").json()["paths"].values()
    parts = {one["name"] for item in paths for one in item.get("parameters", ()) if one["in"] == "path"}
    return parts - {*known, "maker", "model"}  # hooks draw these two from the catalogue


def wanted(served: Running) -> dict[str, int]:
    """Return the number of cases due to each operation: one if it has neither parameters nor a body."""
    paths = httpx.get(f"{served.url}/openapi.json").json()["paths"]
    return {
        f"{method.upper()} {path}": CASES
        if any(one.get(of) for one in (operation, item) for of in ("parameters", "requestBody"))
        else 1
        for path, item in paths.items()
        for method, operation in item.items()
        if method != "parameters"
    }


def fuzz(served: Running, folder: Path, key: str, ids: Mapping[str, Sequence[str]]) -> int:
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
        *("--max-examples", str(CASES), "--checks", "all", "--continue-on-failure", *MORE),
    ]
    with (folder / "report.txt").open("w") as report:
        program = [sys.executable, "-m", "schemathesis.cli", *words]
        done = subprocess.run(
            program, cwd=folder, env=environment, stdout=report, stderr=subprocess.STDOUT, check=False
        )
    return done.returncode


def test_nothing_that_the_document_allows_or_forbids_finds_a_fault(served: Running, tmp_path: Path) -> None:
    key = key_of(served)
    ids = known(served, key)
    assert unknown_parts(served, ids) == set()
    failed = fuzz(served, tmp_path, key, ids)
    report = (tmp_path / "report.txt").read_text()
    print(report[-20_000:])
    assert not failed, report[-5000:]
    assert '"event":"failed"' not in served.log
    asked = json.loads((tmp_path / "counts.json").read_text())
    print(*(f"{sum(of.values()):6}  {operation:60} {of}" for operation, of in asked.items()), sep="\n")
    due = wanted(served)
    expected = [operation for operation in due if not MORE or operation in asked]
    assert not [one for one in expected if sum(asked.get(one, {}).values()) < due[one]]
