"""All evidence as one file: what is exported can be taken in again, and fitted, and says the same."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest
from apps import caller_of, without_evidence
from asking import Caller, assert_problem
from evidence_rows import ROWS, as_csv
from fakes import CATALOGUE, RATES
from flask import Flask
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from records import SALE, ids, record

from models.domain.evidence import EVIDENCE_COLUMNS
from service.api.evidence import export
from training.reading import read_evidence

CSV = {"Content-Type": "text/csv"}
PATH = "/v1/evidence.csv"


def listed(caller: Caller) -> list[dict[str, Any]]:
    """Return all records without the moments at which they were recorded."""
    found = caller.get("/v1/evidence?limit=500").json["evidence"]
    return [{n: v for n, v in one.items() if n not in ("recorded", "changed")} for one in found]


def table(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


# Text that a spreadsheet or a reader of CSV could take for something else.
ODD = st.sampled_from(
    ["=1+1", "+1", "-1", "@x", "'=1", '"', '""', "a,b", "a;b", "#", "\\", "é", "''", '="x"']
)


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(st.lists(ROWS, max_size=8), st.lists(st.tuples(ODD, ODD, ODD), max_size=3, unique_by=lambda t: t[0]))
def test_exported_and_taken_in_by_an_empty_service_it_is_the_same_evidence(
    shared_app: Flask, tmp_path: Path, rows: list[dict[str, str]], odd: list[tuple[str, str, str]]
) -> None:
    without_evidence(shared_app)
    caller = caller_of(shared_app, "evidence")
    caller.post("/v1/evidence", as_csv(rows).encode(), **CSV)
    for id, source, serial in odd:
        record(caller, id=id, source=source, instrument={"maker": "Ostvik", "model": "Dal", "serial": serial})
    before, text = listed(caller), caller.get(PATH).data
    without_evidence(shared_app)
    taken = caller.post("/v1/evidence", text, **CSV).json
    assert (taken["accepted"], taken["faults"], taken["ignored_columns"]) == (len(before), [], [])
    assert listed(caller) == before
    assert caller.get(PATH).data == text
    (tmp_path / "e.csv").write_bytes(text)
    read = read_evidence(tmp_path / "e.csv", CATALOGUE, RATES, progress=False, strict=True).rows
    assert [(e.id, str(e.price), e.source) for e in read] == [
        (e["id"], e["price"], e["source"]) for e in before
    ]


def test_it_has_the_columns_of_the_contract_and_every_record_without_pages(
    dealer: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(export, "_AT_ONCE", 2)
    for number in range(5):
        record(dealer, id=f"S-{number}")
    found = dealer.get(PATH)
    assert found.mimetype == "text/csv" and "evidence.csv" in found.headers["Content-Disposition"]
    assert found.text.splitlines()[0] == ",".join(EVIDENCE_COLUMNS)
    kept = table(found.text)
    assert [row["id"] for row in kept] == [f"S-{number}" for number in range(5)]
    own = {name: SALE[name] for name in ("kind", "date", "price", "currency", "channel", "source")}
    assert {name: kept[0][name] for name in own} == own
    assert (kept[0]["maker"], kept[0]["condition_neck"], kept[0]["finish"]) == ("Ostvik", "2", "")


def test_an_empty_service_exports_the_header(dealer: Caller) -> None:
    assert dealer.get(PATH).text == ",".join(EVIDENCE_COLUMNS) + "\n"


def test_the_filters_are_those_of_the_list(dealer: Caller) -> None:
    record(dealer)
    record(dealer, id="S-2", price="1")
    record(dealer, id="S-3", kind="offer")
    record(dealer, id="S-4")
    dealer.ask("delete", "/v1/evidence/S-4")
    for query in (
        "",
        "?warned=true",
        "?warned=false",
        "?kind=offer",
        "?withdrawn=any",
        "?maker=OSTVIK&to=2024-01-01",
    ):
        assert [row["id"] for row in table(dealer.get(PATH + query).text)] == ids(dealer, query), query
    assert_problem(dealer.get(PATH + "?limit=3"), 422, "fields")
    assert_problem(dealer.get(PATH + "?maker=Nobody"), 422, "fields")


def test_it_is_sent_again_only_when_something_has_changed(dealer: Caller) -> None:
    record(dealer, price="1")
    tag = dealer.get(PATH).headers["ETag"]
    same = dealer.get(PATH, **{"If-None-Match": tag})
    assert same.status_code == 304 and same.data == b"" and same.headers["ETag"] == tag
    assert_problem(dealer.get(PATH, **{"If-Match": '"other"'}), 412, "precondition")
    seen = {tag}
    for method, path, body in (
        ("put", "/v1/evidence/S-1/confirmation", None),
        ("post", "/v1/evidence", {**SALE, "id": "S-2"}),
        ("delete", "/v1/evidence/S-1", None),
        ("put", "/v1/evidence/S-1", {**SALE, "price": "1900"}),
    ):
        dealer.ask(method, path, body)
        found = dealer.get(PATH, **{"If-None-Match": tag})
        assert found.status_code == 200 and found.headers["ETag"] not in seen, path
        seen.add(found.headers["ETag"])


def test_asked_for_its_head_it_is_not_read(dealer: Caller) -> None:
    record(dealer)
    found = dealer.ask("head", PATH)
    assert found.status_code == 200 and found.data == b"" and found.headers["ETag"]


def test_it_needs_a_key_of_evidence(dealer: Caller) -> None:
    assert_problem(caller_of(dealer.app).get(PATH), 403, "scope")
    assert_problem(dealer.get(PATH, Accept="application/json"), 406, "accept")
    assert json.loads(dealer.get(PATH, Accept="image/png").data)["status"] == 406
