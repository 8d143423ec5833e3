"""Outcomes of valuations: each is recorded once, corrected in one place, and evidence at once."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from apps import caller_of, parts
from asking import Caller, assert_problem, faults_of
from fakes import CATALOGUE, RATES
from flask import Flask
from records import ids, record

from training.sources import read_source

TODAY = datetime.now(UTC).date().isoformat()
SOLD = {"date": TODAY, "price": "1500.00", "currency": "EUR", "channel": "auction", "source": "the buyer"}


@pytest.fixture
def appraiser(evidence_app: Flask) -> Caller:
    """May value and record outcomes, of a service without any."""
    return caller_of(evidence_app, "valuations", "evidence")


def valued(caller: Caller, **instrument: Any) -> str:
    found = caller.value({"serial": "D 7", "condition": {"neck": 3}, **instrument})
    assert found.status_code == 201
    return str(found.json["id"])


def sold(caller: Caller, valuation: str, **changes: Any) -> Any:
    said = {name: value for name, value in {**SOLD, **changes}.items() if value is not ...}
    return caller.ask("put", f"/v1/valuations/{valuation}/outcome", said)


def named(caller: Caller, valuation: str, record_id: str) -> Any:
    return caller.ask("put", f"/v1/valuations/{valuation}/outcome/evidence", {"evidence": record_id})


def evidence(caller: Caller) -> list[tuple[str, str]]:
    """Return the ids and prices that a fit would read of it now."""
    found = read_source(parts(caller.app).settings.database, CATALOGUE, RATES)
    assert not found.refused
    return [(e.id, str(e.price)) for e in found.rows]


def test_an_outcome_is_kept_beside_what_was_said_before(appraiser: Caller) -> None:
    valuation = valued(appraiser)
    found = sold(appraiser, valuation)
    assert found.status_code == 201
    body = dict(found.json)
    assert body.pop("recorded") == body.pop("changed") > "2026"
    # Three grades of wear take .3 from the fake's 8: exp(7.7), at the rate of a dollar.
    before = {"date": "2026-01-02", "value": "2208.35", "currency": "USD", "channel": "private"}
    assert body == {
        "valuation": valuation,
        "evidence": valuation,
        **SOLD,
        "valued": before,
        "withdrawn": None,
        "warnings": [],
        "confirmed": None,
    }
    assert appraiser.get(f"/v1/valuations/{valuation}/outcome").json == found.json


def test_it_is_evidence_of_the_specimen_as_it_was_valued_and_once(appraiser: Caller) -> None:
    valuation = valued(appraiser)
    for _ in range(3):
        sold(appraiser, valuation)
    kept = appraiser.get(f"/v1/evidence/{valuation}").json
    assert (kept["kind"], kept["date"], kept["channel"], kept["source"]) == (
        "sale",
        TODAY,
        "auction",
        "the buyer",
    )
    it = {"maker": "Ostvik", "model": "Dal", "serial": "D 7", "condition": {"neck": 3.0}}
    assert kept["instrument"] == it
    assert evidence(appraiser) == [(valuation, "1500.00")]


def test_what_is_not_said_is_as_it_was_valued(appraiser: Caller) -> None:
    found = sold(appraiser, valued(appraiser), currency=..., channel=None, source=...).json
    assert (found["currency"], found["channel"], found["source"]) == (
        "USD",
        "private",
        "outcome of a valuation",
    )


def test_a_correction_changes_the_record_and_keeps_what_it_was(appraiser: Caller) -> None:
    valuation = valued(appraiser)
    first, second = sold(appraiser, valuation), sold(appraiser, valuation, price=1450)
    assert (first.status_code, second.status_code) == (201, 200)
    assert second.json["price"] == "1450" and second.json["recorded"] == first.json["recorded"]
    assert evidence(appraiser) == [(valuation, "1450")]
    changes = appraiser.get(f"/v1/evidence/{valuation}/history").json["changes"]
    assert [(c["action"], c["record"]["price"]) for c in changes] == [
        ("recorded", "1500.00"),
        ("corrected", "1450"),
    ]


def test_a_record_that_is_corrected_or_withdrawn_is_the_outcome_as_it_is_now(appraiser: Caller) -> None:
    valuation = valued(appraiser)
    sold(appraiser, valuation)
    kept = appraiser.get(f"/v1/evidence/{valuation}").json
    own = ("kind", "date", "currency", "channel", "source", "instrument")
    appraiser.ask("put", f"/v1/evidence/{valuation}", {**{n: kept[n] for n in own}, "price": "99"})
    assert appraiser.get(f"/v1/valuations/{valuation}/outcome").json["price"] == "99"
    gone = appraiser.ask("delete", f"/v1/evidence/{valuation}").json["withdrawn"]
    assert appraiser.get(f"/v1/valuations/{valuation}/outcome").json["withdrawn"] == gone
    assert sold(appraiser, valuation).json["withdrawn"] is None
    assert evidence(appraiser) == [(valuation, "1500.00")]


def test_a_sale_that_is_a_record_already_is_not_counted_twice(appraiser: Caller) -> None:
    record(appraiser, id="S-1", date=TODAY, instrument={"maker": "Ostvik", "model": "Dal"})
    one, two = valued(appraiser), valued(appraiser)
    for valuation in (one, two):
        found = named(appraiser, valuation, "S-1")
        assert (found.status_code, found.json["evidence"], found.json["price"]) == (201, "S-1", "1800.00")
    assert evidence(appraiser) == [("S-1", "1800.00")]
    # One that was made for it gives way, and comes back.
    sold(appraiser, one)
    assert evidence(appraiser) == [("S-1", "1800.00"), (one, "1500.00")]
    assert named(appraiser, one, "S-1").status_code == 200
    assert evidence(appraiser) == [("S-1", "1800.00")]
    last = appraiser.get(f"/v1/evidence/{one}/history").json["changes"][-1]
    assert (last["action"], last["reason"]) == ("withdrawn", "the sale is another record")
    assert sold(appraiser, one).status_code == 200
    assert evidence(appraiser) == [("S-1", "1800.00"), (one, "1500.00")]


def test_a_record_that_cannot_be_the_sale_of_it(appraiser: Caller) -> None:
    valuation = valued(appraiser)
    record(appraiser, id="ask", kind="asking", instrument={"maker": "Ostvik", "model": "Dal"})
    record(appraiser, id="other", instrument={"maker": "Ostvik", "model": "Fjell 2"})
    record(appraiser, id="gone", instrument={"maker": "Ostvik", "model": "Dal"})
    appraiser.ask("delete", "/v1/evidence/gone")
    path = f"/v1/valuations/{valuation}/outcome"
    problems = {
        given: faults_of(named(appraiser, valuation, given))["#/evidence"]["problem"]
        for given in ("ask", "other", "gone", "nothing", "a\0b", valuation)
    }
    unused = "is no record in use"
    assert list(problems.values()) == ["is no closed sale", "is of another model", *[unused] * 4]
    for said in ({"evidence": 7}, {}, {"evidence": None}):
        assert set(faults_of(appraiser.ask("put", f"{path}/evidence", said))) == {"#/evidence"}
    assert_problem(appraiser.get(path), 404, "record")


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [
        ({"price": "0"}, "#/price"),
        ({"price": ...}, "#/price"),
        ({"date": "2101-01-01"}, "#/date"),
        ({"date": ...}, "#/date"),
        ({"currency": "EURO"}, "#/currency"),
        ({"channel": "shop"}, "#/channel"),
        ({"prize": 1}, "#/prize"),
        ({"source": 7}, "#/source"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_is_kept(
    appraiser: Caller, changes: dict[str, Any], pointer: str
) -> None:
    valuation = valued(appraiser)
    assert set(faults_of(sold(appraiser, valuation, **changes))) == {pointer}
    assert_problem(appraiser.get(f"/v1/valuations/{valuation}/outcome"), 404, "record")
    assert ids(appraiser, "?withdrawn=any") == []


def test_one_that_is_removed_is_no_evidence_any_more(appraiser: Caller) -> None:
    valuation = valued(appraiser)
    path = f"/v1/valuations/{valuation}/outcome"
    sold(appraiser, valuation)
    gone = appraiser.ask("delete", path)
    assert gone.status_code == 200 and gone.json["withdrawn"] is not None
    assert evidence(appraiser) == []
    for method in ("get", "delete"):
        assert_problem(appraiser.ask(method, path), 404, "record")
    assert sold(appraiser, valuation).status_code == 201
    assert evidence(appraiser) == [(valuation, "1500.00")]


def test_removing_leaves_a_record_that_was_not_made_for_it(appraiser: Caller) -> None:
    record(appraiser, id="S-1", date=TODAY, instrument={"maker": "Ostvik", "model": "Dal"})
    valuation = valued(appraiser)
    path = f"/v1/valuations/{valuation}/outcome"
    named(appraiser, valuation, "S-1")
    assert appraiser.ask("delete", path).json["withdrawn"] is None
    assert evidence(appraiser) == [("S-1", "1800.00")]


def test_a_record_that_has_the_id_of_the_valuation_by_itself_is_not_overwritten(appraiser: Caller) -> None:
    valuation = valued(appraiser)
    record(appraiser, id=valuation)
    assert_problem(sold(appraiser, valuation), 409, "duplicate")
    assert evidence(appraiser) == [(valuation, "1800.00")]


@pytest.mark.parametrize("method", ["get", "put", "delete"])
def test_a_valuation_that_is_not_there(appraiser: Caller, method: str) -> None:
    for id in ("val_" + "0" * 26, "x", "%00"):
        body = SOLD if method == "put" else None
        assert_problem(appraiser.ask(method, f"/v1/valuations/{id}/outcome", body), 404, "record")


def test_it_needs_the_scope_of_evidence(appraiser: Caller) -> None:
    path = f"/v1/valuations/{valued(appraiser)}/outcome"
    for method, body in (("get", None), ("put", SOLD), ("delete", None)):
        assert_problem(caller_of(appraiser.app, "valuations").ask(method, path, body), 403, "scope")
