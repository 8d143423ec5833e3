"""Evidence that argues back, on the real server: a typing error from its warning to its correction.

All of it over HTTP and by the commands, on SQLite and PostgreSQL.
"""

from __future__ import annotations

import csv
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from evidence_bulk import CSV, file_of
from fakes import CATALOGUE, RATES, write_fake
from running import Running

from models.bundles.registry import Registry
from training.sources import read_source

HEAD = "id,kind,date,price,currency,channel,source,maker,model\n"
# The fake expects 2,980.96 USD of a Dal: R2 lost a digit, R3 has a wrong year, and R4 is odd but right.
ROWS = (
    "R1,sale,2025-06-01,3000,USD,private,=a note,Ostvik,Dal\n"
    "R2,sale,2025-06-01,300,USD,private,,Ostvik,Dal\n"
    "R3,sale,1925-06-01,3000,USD,private,,Ostvik,Dal\n"
    "R4,sale,2025-06-01,100,USD,private,to a nephew,Ostvik,Dal\n"
)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    Registry(tmp_path / "store").promote(write_fake(tmp_path / "store"), who="tests", why="to serve")
    return tmp_path / "store"


def running(folder: Path, store: Path, database: str) -> Running:
    return Running(folder, store, settings={"BOOKMATCH_WORKERS": "2", "BOOKMATCH_DATABASE": database})


@pytest.fixture
def served(
    tmp_path: Path, store: Path, backend: str, new_database: Callable[[str], str]
) -> Iterator[Running]:
    with running(tmp_path, store, new_database(backend)) as service:
        service.key = service.new_key("evidence")
        yield service


def post(client: httpx.Client, text: str, query: str = "") -> dict[str, Any]:
    found = client.post(f"/v1/evidence{query}", content=text.encode(), headers=CSV)
    assert found.status_code == 200, found.text
    body: dict[str, Any] = found.json()
    return body


def listed(client: httpx.Client, query: str = "") -> list[str]:
    return [one["id"] for one in client.get(f"/v1/evidence{query}").json()["evidence"]]


def test_from_the_warning_to_the_fit(served: Running) -> None:
    def fitted() -> list[str]:
        return [e.id for e in read_source(served.settings["BOOKMATCH_DATABASE"], CATALOGUE, RATES).rows]

    with httpx.Client(base_url=served.url, headers=served.headers, timeout=60) as client:
        taken = post(client, HEAD + ROWS)
        assert (taken["accepted"], taken["warned"]) == (4, 3)
        assert [(w["id"], w["code"]) for w in taken["warnings"]] == [
            ("R2", "price_low"),
            ("R3", "date_before_made"),
            ("R4", "price_low"),
        ]
        assert listed(client, "?warned=true") == ["R2", "R3", "R4"] and fitted() == ["R1"]
        changed = post(client, HEAD + ROWS.replace(",300,", ",3100,"))
        assert (changed["changed"], changed["duplicates"]) == (1, 3)
        right = HEAD + ROWS.replace(",300,", ",3100,").replace("1925", "2025")
        assert post(client, right, "?corrections=true&reason=misread")["corrected"] == 2
        assert listed(client, "?warned=true") == ["R4"] and fitted() == ["R1", "R2", "R3"]
        confirmed = client.put("/v1/evidence/R4/confirmation?reason=a%20gift").json()
        assert confirmed["confirmed"] and fitted() == ["R1", "R2", "R3", "R4"]
        history = client.get("/v1/evidence/R4/history").json()["changes"]
        assert [(c["action"], c["reason"]) for c in history] == [("recorded", None), ("confirmed", "a gift")]
        exported = client.get("/v1/evidence.csv")
        rows = list(csv.DictReader(exported.text.splitlines()))
        assert [(r["id"], r["price"], r["source"]) for r in rows] == [
            ("R1", "3000", "=a note"),
            ("R2", "3100", ""),
            ("R3", "3000", ""),
            ("R4", "100", "to a nephew"),
        ]
        again = client.get("/v1/evidence.csv", headers={"If-None-Match": exported.headers["ETag"]})
        assert again.status_code == 304 and again.content == b""


def test_ten_thousand_records_go_out_and_come_in_again_the_same(
    tmp_path: Path, store: Path, served: Running, backend: str, new_database: Callable[[str], str]
) -> None:
    with httpx.Client(base_url=served.url, headers=served.headers, timeout=120) as client:
        body = file_of(10_000)
        assert client.post("/v1/evidence", content=body, headers=CSV).json()["accepted"] == 10_000
        began = time.monotonic()
        text = client.get("/v1/evidence.csv").content
        print(f"{backend}: {len(text) / 2**20:.1f} MB of 10,000 records in {time.monotonic() - began:.1f} s")
        assert text.count(b"\n") == 10_001
    (tmp_path / "other").mkdir()
    with running(tmp_path / "other", store, new_database(backend)) as other:
        other.key = other.new_key("evidence")
        with httpx.Client(base_url=other.url, headers=other.headers, timeout=120) as client:
            taken = client.post("/v1/evidence", content=text, headers=CSV).json()
            assert (taken["accepted"], taken["faults"]) == (10_000, [])
            assert client.get("/v1/evidence.csv").content == text
