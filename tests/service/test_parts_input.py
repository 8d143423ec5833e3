"""Wrong requests for what stands behind a kept valuation: each fault has its place."""

from __future__ import annotations

from typing import Any

import pytest
from apps import caller_of
from asking import SHOWN_PARTS, Caller, assert_problem, faults_of
from flask import Flask

POSTS = {"alternatives": {"alternatives": [{"figure": 1}]}, "restoration": {"costs": {}}}
NOBODY = "val_00000000000000000000000000"


@pytest.fixture
def kept(caller: Caller) -> str:
    return f"/v1/valuations/{caller.value({}).json['id']}"


def test_an_unknown_part_is_named_with_those_there_are(caller: Caller) -> None:
    body = {"instrument": {"maker": "Ostvik", "model": "Dal"}}
    found = caller.post("/v1/valuations?include=comparables,sentence,prices", body)
    errors = assert_problem(found, 422, "fields")["errors"]
    assert [(e["pointer"], e["field"], e["value"]) for e in errors] == [
        (None, "include", "sentence"),
        (None, "include", "prices"),
    ]
    assert errors[0]["suggestions"][0] == "sentences"
    assert [e["next_step"] for e in errors] == ["did you mean sentences?", "leave it out"]
    assert errors[0]["allowed"] == "comparables, questions, earlier_records, sentences, restoration"


def test_a_misspelt_name_in_the_query_is_not_passed_over(caller: Caller, kept: str) -> None:
    body = {"instrument": {"maker": "Ostvik", "model": "Dal"}}
    for found, name in (
        (caller.post("/v1/valuations?includes=record", body), "include"),
        (caller.get(f"{kept}/intervals.svg?ask=100"), "asking"),
    ):
        (error,) = assert_problem(found, 422, "fields")["errors"]
        assert (error["pointer"], error["allowed"]) == (None, name)
        assert error["problem"] == "is not a member of this query"


def test_include_is_one_text_or_item_by_item(caller: Caller) -> None:
    body = {"instrument": {"maker": "Ostvik", "model": "Dal"}}
    for query in ("include=questions,earlier_records", "include=earlier_records&include=Questions"):
        found = caller.post(f"/v1/valuations?{query}", body).json
        assert {"earlier_records", "questions"} <= set(found) and "sentences" not in found


@pytest.mark.parametrize(
    "query", ["include=", "include=earlier_records,,questions", "include=earlier_records&include="]
)
def test_no_name_is_no_part(caller: Caller, query: str) -> None:
    found = caller.post(f"/v1/valuations?{query}", {"instrument": {"maker": "Ostvik", "model": "Dal"}})
    (error,) = assert_problem(found, 422, "fields")["errors"]
    assert (error["field"], error["value"]) == ("include", "")


def test_a_price_that_is_asked_twice_is_refused(caller: Caller, kept: str) -> None:
    found = caller.get(f"{kept}/intervals.svg?asking=100&asking=200")
    (error,) = assert_problem(found, 422, "fields")["errors"]
    assert (error["field"], error["value"]) == ("asking", "200")


@pytest.mark.parametrize(
    ("alternatives", "pointers"),
    [
        ("x", ["#/alternatives"]),
        ([], ["#/alternatives"]),
        ([{"figure": 1}] * 51, ["#/alternatives"]),
        ([7], ["#/alternatives/0"]),
        ([{}], ["#/alternatives/0"]),
        ([{"figure": 1}, {"condition": {"nek": 2}}], ["#/alternatives/1/condition/nek"]),
        ([{"condition.nek": 2}], ["#/alternatives/0/condition.nek"]),
        ([{"condition": None}], ["#/alternatives/0/condition"]),
        ([{"maker": "Ostvik"}], ["#/alternatives/0/maker"]),
        ([{"a/b": 1}], ["#/alternatives/0/a~1b"]),
        ([{"condition": {"neck": 2}, "condition.neck": 3}], ["#/alternatives/0/condition.neck"]),
        (
            [{"condition": {"neck": 9}, "originality.pickups": "new"}, {"year": "1960"}],
            [
                "#/alternatives/0/condition/neck",
                "#/alternatives/0/originality.pickups",
                "#/alternatives/1/year",
            ],
        ),
    ],
)
def test_a_wrong_alternative_is_named_by_its_place(
    caller: Caller, kept: str, alternatives: Any, pointers: list[str]
) -> None:
    found = caller.post(f"{kept}/alternatives", {"alternatives": alternatives})
    assert list(faults_of(found)) == pointers


def test_an_unknown_field_of_an_alternative_comes_with_the_nearest(caller: Caller, kept: str) -> None:
    found = caller.post(f"{kept}/alternatives", {"alternatives": [{"condition": {"nek": 2}}]})
    (fault,) = faults_of(found).values()
    assert (fault["field"], fault["value"], fault["suggestions"][0]) == ("condition.nek", 2, "condition.neck")


@pytest.mark.parametrize(
    ("costs", "pointers"),
    [
        (None, ["#/costs"]),
        ([], ["#/costs"]),
        ({"originality.finish": "10"}, ["#/costs/originality.finish"]),
        ({"originality": {"finish": "10"}}, ["#/costs/originality/finish"]),
        ({"originality": {"pickup": "10"}}, ["#/costs/originality/pickup"]),
        ({"originality.nut": "-1"}, ["#/costs/originality.nut"]),
        (
            {"originality.nut": True, "originality.wiring": "NaN"},
            ["#/costs/originality.nut", "#/costs/originality.wiring"],
        ),
        ({"originality.nut": "1e3"}, ["#/costs/originality.nut"]),
        ({"originality.nut": {"a": 1}}, ["#/costs/originality.nut"]),
        ({"originality.nut": "1.005"}, ["#/costs/originality.nut"]),
    ],
)
def test_a_wrong_cost_is_named_by_its_place(
    caller: Caller, kept: str, costs: Any, pointers: list[str]
) -> None:
    assert list(faults_of(caller.post(f"{kept}/restoration", {"costs": costs}))) == pointers


def test_a_member_that_these_requests_do_not_have(caller: Caller, kept: str) -> None:
    for name, body in POSTS.items():
        found = faults_of(caller.post(f"{kept}/{name}", {**body, "currency": "EUR"}))
        assert list(found) == ["#/currency"]
        missing = faults_of(caller.post(f"{kept}/{name}", {}))
        assert list(missing) == [f"#/{next(iter(body))}"]


@pytest.mark.parametrize("asking", ["", "x", "0", "-5", "1e5", "NaN", "1,200", "1" * 20])
def test_an_asking_price_that_is_none(caller: Caller, kept: str, asking: str) -> None:
    found = caller.get(f"{kept}/intervals.svg?asking={asking}")
    (error,) = assert_problem(found, 422, "fields")["errors"]
    assert (error["pointer"], error["field"], error["value"]) == (None, "asking", asking)


def test_an_unknown_valuation_has_nothing_below_it(caller: Caller) -> None:
    for valuation_id in (NOBODY, "x"):
        for name in SHOWN_PARTS:
            assert_problem(caller.get(f"/v1/valuations/{valuation_id}/{name}"), 404, "record")
        for name, body in POSTS.items():
            assert_problem(caller.post(f"/v1/valuations/{valuation_id}/{name}", body), 404, "record")


def test_every_route_wants_a_key_with_the_scope(shared_app: Flask, kept: str) -> None:
    nobody, other = Caller(shared_app, None), caller_of(shared_app, "inventory")
    for path in (
        *(f"{kept}/{name}" for name in SHOWN_PARTS),
        "/v1/price-models/current/card",
        "/v1/price-models/current/card.html",
    ):
        assert_problem(nobody.get(path), 401, "key-missing")
        assert_problem(other.get(path), 403, "scope")
    for name, body in POSTS.items():
        assert_problem(nobody.post(f"{kept}/{name}", body), 401, "key-missing")
        assert_problem(other.post(f"{kept}/{name}", body), 403, "scope")


def test_a_method_that_a_path_does_not_have(caller: Caller, kept: str) -> None:
    assert_problem(caller.get(f"{kept}/alternatives"), 405, "method")
    assert_problem(caller.post(f"{kept}/comparables", {}), 405, "method")
