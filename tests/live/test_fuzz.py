"""All that the OpenAPI document allows and forbids, asked of a real server: schemathesis, all checks.

A few cases of each operation here; `make fuzz` asks 2,000 of each.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from fakes import write_fake
from running import Running

from models.registry import Registry
from service.keys.kinds import SCOPES

CASES = os.environ.get("FUZZ_CASES", "3")
MORE = os.environ.get("FUZZ_WORDS", "").split()  # options of schemathesis, such as --include-path
HOOKS = Path(__file__).parent / "fuzz_hooks.py"
IT = {"maker": "Ostvik", "model": "Dal"}
SALE = {
    "id": "E1",
    "kind": "sale",
    "date": "2025-01-02",
    "price": "900",
    "currency": "USD",
    "channel": "dealer",
}
# What is refused for its meaning is judged by a check of ours, which is stricter: see the hooks.
CONFIG = """
[checks]
positive_data_acceptance.expected-statuses = ["2xx", "304", "400", "404", "409", "410", "412", "422"]
negative_data_rejection.expected-statuses = [
    "400", "401", "403", "404", "405", "406", "409", "410", "412", "413", "414", "415", "422", "431",
]
# A record that was withdrawn is kept: its history is shown, and PUT takes it back in.
[[operations]]
include-path-regex = "^/v1/evidence/"
checks.use_after_free.enabled = false
"""


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Running]:
    store = tmp_path / "store"
    Registry(store).promote(write_fake(store), who="tests", why="to serve")
    no_limits = {f"BOOKMATCH_LIMIT_{of}": "0" for of in ("SECRET", "PUBLISHABLE", "VISITOR", "ADDRESS")}
    with Running(tmp_path, store, settings=no_limits) as running:
        yield running


def key_of(served: Running) -> str:
    return served.call(
        "keys", "create", "fuzz", *(word for name in SCOPES for word in ("--scope", name))
    ).strip()


def known(served: Running, key: str) -> dict[str, str]:
    """Ids that exist, by the name of their place in a path."""
    with httpx.Client(base_url=served.url, headers={"Authorization": f"Bearer {key}"}) as client:
        made = client.post("/v1/valuations", json={"instrument": IT}).json()
        other = client.post("/v1/keys", json={"label": "to be revoked", "scopes": ["metrics"]}).json()
        assert client.post("/v1/evidence", json={**SALE, "instrument": IT}).status_code == 201
    return {
        "valuation_id": made["id"],
        "key_id": other["id"],
        "evidence_id": SALE["id"],
        "version": made["model_version"],
    }


def test_nothing_that_the_document_allows_or_forbids_finds_a_fault(served: Running, tmp_path: Path) -> None:
    key, config = key_of(served), tmp_path / "schemathesis.toml"
    config.write_text(CONFIG)
    environment = {
        **os.environ,
        "SCHEMATHESIS_HOOKS": str(HOOKS),
        "FUZZ_KNOWN": json.dumps(known(served, key)),
        "FUZZ_OWN_KEY": key.split("_")[1],
        "FUZZ_URL": served.url,
        "FUZZ_KEY": key,
    }
    words = [
        "--max-examples",
        CASES,
        "--checks",
        "all",
        "--continue-on-failure",
        "--no-color",
        "--seed",
        "1",
        *MORE,
    ]
    done = subprocess.run(
        [
            str(Path(sys.executable).parent / "schemathesis"),
            *("--config-file", str(config), "run", f"{served.url}/openapi.json"),
            *("--header", f"Authorization: Bearer {key}", *words),
        ],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    print(done.stdout[-20_000:])
    assert done.returncode == 0, done.stdout[-5000:] + done.stderr
    assert '"event":"failed"' not in served.log
