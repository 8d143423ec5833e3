"""Questions to owners and their answers; the specialist's grading, and the value after the adjustment."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

import pytest
from apps import caller_of, kept_valuations
from asking import Caller, assert_problem, faults_of
from flask import Flask
from request_bodies import IT, made, moved, owner_of, patched, path_of, visitor_of

from models.domain.money import adjusted
from models.domain.vocabulary import BY_PATH
from models.insights.questions import ASKED, how_to_tell

# Words that invite somebody to take an instrument apart; said only together with a word that forbids it.
APART = re.compile(
    r"unscrew|solder|dismantl|disassembl|take (it |them )?(off|out|apart)|remov|detach|loosen|lift|pry|"
    r"(?<!case, )\bopen\b|under the|cavity|screwdriver"
)
FORBIDDEN = re.compile(r"\b(never|do not|without)\b")


@pytest.fixture
def specialist(shared_app: Flask) -> Caller:
    return caller_of(shared_app, "requests")


def waiting(specialist: Caller, query: str = "", **more: Any) -> dict[str, Any]:
    """A request that waits for its owner."""
    request = made(specialist, query, **more)
    moved(specialist, request, "reviewing")
    changed = patched(specialist, request, state="waiting_for_owner", questions=["serial", "finish"])
    assert changed.status_code == 200, changed.text
    return request


def answered(caller: Caller, request: dict[str, Any], body: Any, **headers: str) -> Any:
    return caller.post(f"{path_of(request)}/answers", body, **headers)


# ── questions ────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("path", sorted({*ASKED, *BY_PATH}))
def test_no_question_invites_anyone_to_take_an_instrument_apart(path: str) -> None:
    for part in re.split(r"[;.]", how_to_tell(path)):
        assert not APART.search(part) or FORBIDDEN.search(part), part


def test_the_check_for_taking_apart_sees_it() -> None:
    assert APART.search("photographs of the pickups after you unscrew them")
    assert APART.search("open the control cavity") and not FORBIDDEN.search("open the control cavity")
    assert not APART.search("a photograph of the case, open and closed")


def test_the_questions_are_those_of_the_specialist_and_those_that_narrow_most(
    shared_app: Flask, specialist: Caller
) -> None:
    request = waiting(specialist)
    owner = owner_of(shared_app, request)
    found = owner.get(f"{path_of(request)}/questions").json
    assert [one["field"] for one in found["asked"]] == ["finish", "serial"]
    kept = caller_of(shared_app).get(f"/v1/valuations/{request['valuation']['id']}/questions").json
    assert found["questions"] == kept["questions"] and 0 < len(found["questions"]) <= 3
    assert found["questions"][0]["outcomes"]


def test_what_the_specialist_knows_is_not_asked(shared_app: Flask, specialist: Caller) -> None:
    request = made(specialist)
    path = f"{path_of(request)}/questions"
    asked = {one["field"] for one in specialist.get(path).json["questions"]}
    assert asked == {"originality.pickups"}
    patched(specialist, request, graded={**IT, "originality": {"pickups": "modern"}})
    assert specialist.get(path).json["questions"] == []


def test_whoever_is_shown_no_value_finds_none_in_the_questions(shared_app: Flask) -> None:
    visitor, here = visitor_of(shared_app)
    request = made(visitor, "?value=false", headers=here)
    found = visitor.get(f"{path_of(request)}/questions", **here)
    assert found.json["questions"] and all(one["outcomes"] == [] for one in found.json["questions"])
    assert '"value"' not in found.text


# ── answers ──────────────────────────────────────────────────────────────────


def test_answers_join_the_description_and_move_the_request(shared_app: Flask, specialist: Caller) -> None:
    request = waiting(specialist)
    owner = owner_of(shared_app, request)
    body = {
        "answers": {"serial": " F 1 ", "condition": {"neck": 4}, "finish": None},
        "message": "On the back.",
    }
    found = answered(owner, request, body)
    assert found.status_code == 200 and found.json["state"] == "reviewing"
    it = {**IT, "maker": "Ostvik", "model": "Dal", "serial": "F 1", "condition": {"neck": 4.0}}
    shown = specialist.get(path_of(request)).json
    assert found.json["instrument"] == shown["instrument"] == it
    assert shown["questions"] == []
    assert [(one["sender"], one["text"]) for one in shown["messages"]] == [("owner", "On the back.")]
    event = specialist.get(f"{path_of(request)}/history").json["events"][-2]
    assert (event["actor"], event["action"]) == ("owner", "answered")
    assert event["detail"]["before"] == {"serial": None, "condition.neck": 2.0}
    # The value is anew that of the description.
    assert found.json["valuation"]["id"] == shown["valuation_id"] != request["valuation"]["id"]
    alone = caller_of(shared_app).post("/v1/valuations", {"instrument": it}).json
    assert found.json["valuation"]["value"] == alone["value"] != request["valuation"]["value"]


def test_an_answer_before_anyone_looked_leaves_the_request_received(shared_app: Flask) -> None:
    visitor, here = visitor_of(shared_app)
    request = made(visitor, "?value=false", headers=here)
    found = answered(visitor, request, {"answers": {"originality.pickups": "original"}}, **here)
    assert found.json["state"] == "received" and "valuation" not in found.json


def test_answers_sent_again_are_taken_once(shared_app: Flask, specialist: Caller) -> None:
    request = waiting(specialist)
    owner, before = owner_of(shared_app, request), kept_valuations(shared_app)
    found = [answered(owner, request, {"message": "hello"}, **{"Idempotency-Key": "a-1"}) for _ in range(3)]
    assert {one.status_code for one in found} == {200} and len({one.data for one in found}) == 1
    assert kept_valuations(shared_app) == before + 1
    assert len(specialist.get(path_of(request)).json["messages"]) == 1


@pytest.mark.parametrize(
    ("body", "pointers"),
    [
        ({}, {"#/answers"}),
        ({"answers": {}}, {"#/answers"}),
        ({"answers": {"serial": None}}, {"#/answers"}),
        ({"answers": {"maker": "Ostvik"}}, {"#/answers/maker"}),
        ({"answers": {"condition.neck": 9}}, {"#/answers/condition.neck"}),
        ({"answers": {"condition": {"nek": 1}}}, {"#/answers/condition/nek"}),
        ({"answers": [1]}, {"#/answers"}),
        ({"message": "a\x1bb"}, {"#/message"}),
        ({"answers": {"serial": "1"}, "state": "reviewing"}, {"#/state"}),
    ],
)
def test_a_wrong_answer_is_named_and_nothing_is_kept(
    specialist: Caller, body: dict[str, Any], pointers: set[str]
) -> None:
    request = waiting(specialist, "?value=false")
    before = specialist.get(path_of(request)).data
    assert set(faults_of(answered(specialist, request, body))) == pointers
    assert specialist.get(path_of(request)).data == before


def test_answers_come_to_an_end(own_app: Flask, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.api.requests.answering.MOST_ANSWERINGS", 2)
    specialist = caller_of(own_app, "requests")
    request = made(specialist)
    found = [answered(specialist, request, {"message": str(n)}) for n in range(3)]
    assert [one.status_code for one in found] == [200, 200, 409]
    assert_problem(found[2], 409, "request-state")


# ── grading and adjustment ───────────────────────────────────────────────────


def test_the_value_is_of_what_the_specialist_grades(shared_app: Flask, specialist: Caller) -> None:
    request = made(specialist)
    path = f"{path_of(request)}/valuation?date=2026-01-02&channel=dealer"
    graded = {**IT, "condition": {"neck": 5}}
    values = caller_of(shared_app)
    for it, is_graded in ((IT, False), (graded, True)):
        if is_graded:
            patched(specialist, request, graded=graded)
        found = specialist.get(path).json
        body = {"instrument": it, "date": "2026-01-02", "channel": "dealer"}
        assert found["graded"] is is_graded
        assert found["valuation"] == values.post("/v1/attributions", body).json
        assert found["concluded"]["value"] == found["valuation"]["value"]
        assert (found["concluded"]["difference"], found["adjustment"]) == ("0.00", None)


@pytest.mark.parametrize(
    ("adjustment", "value", "currency", "expected"),
    [
        ({"per_cent": "-5"}, "1000.10", "USD", "950.10"),  # 950.095 rounds half up
        ({"per_cent": "12.5"}, "1000.00", "USD", "1125.00"),
        ({"per_cent": "0.001"}, "100000", "JPY", "100001"),
        ({"amount": "-120.55"}, "1000.10", "USD", "879.55"),
        ({"amount": "40"}, "1000.10", "EUR", "1040.10"),
        ({"amount": "-5000"}, "1000.10", "USD", "0.00"),
        ({"per_cent": "-99.9999"}, "10.00", "USD", "0.00"),
    ],
)
def test_the_adjustment_on_paper(
    adjustment: dict[str, str], value: str, currency: str, expected: str
) -> None:
    given = {name: Decimal(text) for name, text in adjustment.items()}
    assert str(adjusted(Decimal(value), currency, **given)) == expected


def test_the_adjustment_stands_apart_and_concludes_the_value(specialist: Caller) -> None:
    request = made(specialist)
    path = f"{path_of(request)}/valuation?date=2026-01-02"
    plain = specialist.get(path).json["valuation"]
    patched(specialist, request, adjustment={"amount": "-100.25", "currency": "USD", "reason": "the case"})
    found = specialist.get(path).json
    assert found["valuation"] == plain
    assert found["adjustment"] == {
        "amount": "-100.25",
        "currency": "USD",
        "per_cent": None,
        "reason": "the case",
    }
    concluded = found["concluded"]
    assert concluded["difference"] == "-100.25"
    assert Decimal(concluded["value"]) == Decimal(plain["value"]) - Decimal("100.25")
    for one, other in zip(concluded["intervals"], plain["intervals"], strict=True):
        assert Decimal(one["low"]) == Decimal(other["low"]) - Decimal("100.25")
        assert Decimal(one["high"]) == Decimal(other["high"]) - Decimal("100.25")


def test_an_amount_in_another_currency_is_converted_on_the_day_of_the_value(
    shared_app: Flask, specialist: Caller
) -> None:
    """The value of one instrument in both currencies gives the rate."""
    request = made(specialist)
    adjustment = {"amount": "100", "currency": "EUR", "reason": "x"}
    patched(specialist, request, adjustment=adjustment)
    path = f"{path_of(request)}/valuation?date=2026-01-02"
    euros, dollars = (specialist.get(f"{path}&currency={code}").json for code in ("EUR", "USD"))
    assert euros["concluded"]["difference"] == "100.00"
    assert specialist.get(path).json["concluded"]["currency"] == "EUR"  # that of the adjustment
    rate = Decimal(dollars["valuation"]["value"]) / Decimal(euros["valuation"]["value"])
    assert rate != 1
    assert abs(Decimal(dollars["concluded"]["difference"]) - 100 * rate) < Decimal("0.02")
