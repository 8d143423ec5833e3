"""Count the queries of each request, so that nobody adds one without noticing."""

from __future__ import annotations

import pytest
from apps import caller_of, parts
from asking import DAL, SHOWN_PARTS, Caller
from flask import Flask
from records import record
from statements import counted

FOUND = "SELECT valuation.answer, valuation.packed,"


@pytest.fixture
def known(shared_app: Flask) -> Caller:
    """A caller whose key was looked up a moment ago."""
    caller = caller_of(shared_app)
    assert caller.get("/v1/vocabulary").status_code == 200
    return caller


def test_a_valuation_is_one_insert(known: Caller) -> None:
    with counted(known.app) as sent:
        made = known.value({})
    assert sent == ["INSERT INTO valuation"]
    with counted(known.app) as sent:
        assert known.get(made.headers["Location"]).status_code == 200
    assert sent == [FOUND]


def test_what_stands_behind_a_valuation_is_one_select_and_costs_no_insert_more(known: Caller) -> None:
    with counted(known.app) as sent:
        made = known.post("/v1/valuations?include=comparables,earlier_records,sentences", DAL)
    assert sent == ["INSERT INTO valuation"]
    path = made.headers["Location"]
    for name in SHOWN_PARTS:
        with counted(known.app) as sent:
            assert known.get(f"{path}/{name}").status_code == 200
        assert sent == [FOUND]
    for name, body in (("alternatives", {"alternatives": [{"figure": 1}]}), ("restoration", {"costs": {}})):
        with counted(known.app) as sent:
            assert known.post(f"{path}/{name}", body).status_code == 200
        assert sent == [FOUND]


def test_what_keeps_no_record_asks_nothing(known: Caller) -> None:
    with counted(known.app) as sent:
        for path in ("/v1/intervals", "/v1/attributions"):
            assert known.post(path, DAL).status_code == 200
        for path in ("/v1/catalogue", "/v1/vocabulary", "/healthz", "/openapi.json", "/docs"):
            assert known.get(path).status_code == 200
    assert sent == []


def test_a_new_key_is_looked_up_once(shared_app: Flask) -> None:
    caller = caller_of(shared_app)
    with counted(shared_app) as sent:
        for _ in range(3):
            assert caller.post("/v1/intervals", DAL).status_code == 200
    assert len(sent) == 1


def test_an_idempotency_key_costs_two_statements_more(known: Caller) -> None:
    with counted(known.app) as sent:
        known.post("/v1/valuations", DAL, **{"Idempotency-Key": "counted"})
    assert sent[1:] == ["INSERT INTO idempotency_claim", "INSERT INTO valuation"] and len(sent) == 3
    with counted(known.app) as sent:
        known.post("/v1/valuations", DAL, **{"Idempotency-Key": "counted"})
    assert len(sent) == 2 and all(statement.startswith("SELECT") for statement in sent)


def test_evidence_costs_the_same_few_statements_however_many_rows_come(evidence_app: Flask) -> None:
    """A file is read a thousand rows at a time; nothing is asked for each row."""
    caller = caller_of(evidence_app, "evidence")
    assert caller.get("/v1/evidence").status_code == 200  # the key is known from now on
    lock = int(parts(evidence_app).engine.dialect.name == "postgresql")
    kept = ["SELECT evidence.seq, evidence.id,", "INSERT INTO evidence", "INSERT INTO evidence_change"]
    with counted(evidence_app) as sent:
        record(caller)
    assert sent[lock:-1] == kept and sent[-1].startswith("SELECT")
    row = "sale,2025-01-02,900,USD,dealer,Ostvik,Dal"
    for first, count in ((0, 3), (10, 900)):
        rows = "".join(f"R{n},{row}\n" for n in range(first, first + count))
        text = f"id,kind,date,price,currency,channel,maker,model\n{rows}"
        with counted(evidence_app) as sent:
            found = caller.post("/v1/evidence", text, **{"Content-Type": "text/csv"})
        assert found.json["accepted"] == count
        assert sent[lock:] == kept
        with counted(evidence_app) as sent:
            text = text.replace(",900,", ",950,")
            found = caller.post("/v1/evidence?corrections=true", text, **{"Content-Type": "text/csv"})
        assert found.json["corrected"] == count
        assert sent == [
            "SELECT evidence.seq, evidence.id,",
            "UPDATE evidence SET",
            "INSERT INTO evidence_change",
        ]
    with counted(evidence_app) as sent:
        assert len(caller.get("/v1/evidence?limit=500").json["evidence"]) == 500
    assert len(sent) == 1
