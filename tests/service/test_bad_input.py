"""Bad input, one test each: every answer is a problem that a form can show beside the right field."""

from __future__ import annotations

from typing import Any

import pytest
from apps import kept_valuations
from asking import DAL, Caller, assert_problem, faults_of

POSTS = ("/v1/valuations", "/v1/intervals", "/v1/attributions")


@pytest.mark.parametrize("path", POSTS)
@pytest.mark.parametrize(
    "body", ["", "{", "{'a': 1}", '{"a": NaN}', '{"a": 1e999}', b'{"a": "\xff"}', "{} {}"]
)
def test_what_is_not_json(caller: Caller, path: str, body: str | bytes) -> None:
    assert "not JSON" in assert_problem(caller.post(path, body), 400, "body")["detail"]


@pytest.mark.parametrize("body", ["[]", "null", "3", '"text"', "true"])
def test_json_that_is_no_object(caller: Caller, body: str) -> None:
    assert "not an object" in assert_problem(caller.post("/v1/valuations", body), 400, "body")["detail"]


@pytest.mark.parametrize(
    "body",
    [
        '{"date": "2026-01-02", "date": "2025-01-02"}',
        '{"instrument": {"maker": "Ostvik", "model": "Dal", "maker" : "X"}}',
        '{"instrument": {"maker": "a \\" : b", "condition": {"neck": 1, "n\\u0065ck": 2}}}',
        '{"instrument": [{"a": 1, "a": 1}]}',
    ],
)
def test_a_name_that_stands_twice(caller: Caller, body: str) -> None:
    assert "stands twice" in assert_problem(caller.post("/v1/valuations", body), 400, "body")["detail"]


def test_a_text_that_looks_like_a_name_is_no_name(caller: Caller) -> None:
    found = caller.value({"serial": 'x " : y', "finish": 'a":1,"a":2'})
    assert (found.status_code, found.json["instrument"]["serial"]) == (201, 'x " : y')


def test_an_empty_object_lacks_the_instrument(caller: Caller) -> None:
    fault = faults_of(caller.post("/v1/valuations", "{}"))["#/instrument"]
    assert fault["problem"] == "is required"


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", "text/json", ""])
def test_another_content_type(caller: Caller, kind: str) -> None:
    found = caller.post("/v1/valuations", DAL, **{"Content-Type": kind})
    assert "application/json" in assert_problem(found, 415, "content-type")["detail"]


def test_json_with_parameters_and_json_based_types_are_taken(caller: Caller) -> None:
    for kind in ("application/json; charset=utf-8", "application/merge-patch+json"):
        assert caller.post("/v1/intervals", DAL, **{"Content-Type": kind}).status_code == 200


@pytest.mark.parametrize(
    ("instrument", "pointer", "problem"),
    [
        ({"year": "1964"}, "#/instrument/year", "is text, not a number"),
        ({"year": 1964.5}, "#/instrument/year", "is not a whole number"),
        ({"year": True}, "#/instrument/year", "is not a number"),
        ({"maker": 3}, "#/instrument/maker", "is not text"),
        ({"condition": {"neck": "worn"}}, "#/instrument/condition/neck", "is not a number"),
        ({"condition": [1]}, "#/instrument/condition", "is not an object"),
        ({"provenance": {"paperwork": "yes"}}, "#/instrument/provenance/paperwork", "is not true or false"),
        ({"build": ["prototype"]}, "#/instrument/build", "is not text"),
        ({"finish": {"name": "Tarn"}}, "#/instrument/finish", "is not text"),
        ({"maker": None}, "#/instrument/maker", "is required"),
        ({"model": " "}, "#/instrument/model", "is required"),
        ({"serial": "x" * 201}, "#/instrument/serial", "is too long"),
        ({"serial": "a\u0000b"}, "#/instrument/serial", "holds a control character"),
    ],
)
def test_wrong_type(caller: Caller, instrument: dict[str, Any], pointer: str, problem: str) -> None:
    assert faults_of(caller.value(instrument))[pointer]["problem"] == problem


@pytest.mark.parametrize("instrument", [None, 3, "Ostvik Dal", [], True])
def test_an_instrument_that_is_no_object(caller: Caller, instrument: Any) -> None:
    found = caller.post("/v1/valuations", {"instrument": instrument})
    assert "#/instrument" in faults_of(found)


def test_unknown_term_lists_the_allowed_ones(caller: Caller) -> None:
    fault = faults_of(caller.value({"originality": {"pickups": "perid"}}))["#/instrument/originality/pickups"]
    assert fault["allowed"] == "original, period, modern, missing"
    assert (fault["value"], fault["suggestions"][0]) == ("perid", "period")


def test_unknown_maker_names_the_nearest(caller: Caller) -> None:
    fault = faults_of(caller.value({"maker": "Ostvig"}))["#/instrument/maker"]
    assert (fault["value"], fault["suggestions"]) == ("Ostvig", ["Ostvik"])
    assert "did you mean Ostvik?" in fault["next_step"]


def test_unknown_model_names_the_nearest(caller: Caller) -> None:
    fault = faults_of(caller.value({"model": "Fjel2"}))["#/instrument/model"]
    assert fault["suggestions"][0] == "Fjell 2"


def test_year_3019(caller: Caller) -> None:
    fault = faults_of(caller.value({"year": 3019}))["#/instrument/year"]
    assert (fault["value"], fault["allowed"]) == (3019, "a whole number from 1800 to 2100")


def test_wear_7(caller: Caller) -> None:
    fault = faults_of(caller.value({"condition": {"neck": 7}}))["#/instrument/condition/neck"]
    assert (fault["value"], fault["allowed"]) == (7, "a number from 0 to 5")


@pytest.mark.parametrize("number", [10**30, -(10**30), 1e308, -1, 5.0000001])
def test_numbers_far_out(caller: Caller, number: float) -> None:
    assert "#/instrument/condition/neck" in faults_of(caller.value({"condition": {"neck": number}}))


def test_unknown_field_names_the_nearest(caller: Caller) -> None:
    found = faults_of(caller.value({"finnish": "Tarn", "condition": {"nek": 2}}, chanel="dealer"))
    assert found["#/instrument/finnish"]["suggestions"][0] == "finish"
    assert found["#/instrument/condition/nek"]["suggestions"][0] == "condition.neck"
    assert found["#/chanel"]["suggestions"][0] == "channel"


def test_odd_names_are_pointed_at_as_the_standard_writes_them(caller: Caller) -> None:
    found = faults_of(caller.post("/v1/intervals", {**DAL, "a/b~c d": 1, "": 2}))
    # RFC 6901: / is ~1, ~ is ~0; in a URI fragment a space is %20. An empty name is an empty token.
    assert set(found) == {"#/a~1b~0c%20d", "#/"}


@pytest.mark.parametrize(
    ("member", "value", "problem"),
    [
        ("date", "01/02/2026", "is not an ISO 8601 day"),
        ("date", "2026-02-30", "is not a day of the calendar"),
        ("date", "3019-01-01", "is in the future"),
        ("date", "1700-01-01", "is too long ago"),
        ("date", 20260102, "is not text"),
        ("channel", "shop", "is not a term of this field"),
        ("channel", 1, "is not text"),
        ("currency", "XYZ", "has no exchange rate here"),
        ("currency", 5, "is not text"),
        ("levels", 0.8, "is not a list"),
        ("levels", [], "is not a usable number of levels"),
        ("levels", [1.5], "is not a level"),
        ("levels", ["0.8"], "is not a level"),
        ("levels", [0.5] * 21, "is not a usable number of levels"),
    ],
)
def test_what_is_wrong_beside_the_instrument(caller: Caller, member: str, value: Any, problem: str) -> None:
    assert faults_of(caller.value({}, **{member: value}))[f"#/{member}"]["problem"] == problem


def test_a_currency_without_a_rate_on_that_day(caller: Caller) -> None:
    found = caller.post("/v1/valuations", {**DAL, "date": "2019-06-01", "currency": "EUR"})
    assert "no exchange rate" in faults_of(found)["#/currency"]["problem"]


def test_everything_wrong_is_said_at_once(caller: Caller) -> None:
    wrong = {
        "instrument": {"maker": "Ostvig", "model": "Dal", "year": 3019, "condition": {"neck": 7, "nek": 1}},
        "date": "tomorrow",
        "channel": "shop",
        "currency": "XYZ",
        "levels": [2],
        "colour": 1,
    }
    assert set(faults_of(caller.post("/v1/attributions", wrong))) == {
        "#/instrument/maker",
        "#/instrument/year",
        "#/instrument/condition/neck",
        "#/instrument/condition/nek",
        "#/date",
        "#/channel",
        "#/currency",
        "#/levels",
        "#/colour",
    }


def test_long_wrong_values_are_not_said_back_whole(caller: Caller) -> None:
    found = caller.value({"build": "x" * 5000, "year": {"a": {"b": 1}}, "z" * 5000: [1] * 500})
    assert len(found.data) < 4000
    assert faults_of(found)["#/instrument/year"]["value"] == "an object"


@pytest.mark.parametrize(
    "deep", ["[" * 100_000, '{"a":' * 40_000, '{"instrument":' + "[" * 900 + "]" * 900 + "}"]
)
def test_deeply_nested_json_crashes_nothing(caller: Caller, deep: str) -> None:
    found = caller.post("/v1/valuations", deep)
    assert found.status_code in (400, 422)
    assert_problem(found, found.status_code, "body" if found.status_code == 400 else "fields")
    assert caller.get("/healthz").status_code == 200


def test_a_body_of_five_megabytes(caller: Caller) -> None:
    found = caller.post("/v1/valuations", {**DAL, "padding": "x" * 5_000_000})
    assert_problem(found, 413, "too-large")


def test_a_body_at_the_limit_is_read(caller: Caller) -> None:
    body = '{"instrument":{"maker":"Ostvik","model":"Dal"}}'
    assert caller.post("/v1/intervals", body + " " * (256 * 1024 - len(body))).status_code == 200
    assert_problem(caller.post("/v1/intervals", body + " " * (256 * 1024 - len(body) + 1)), 413, "too-large")


def test_missing_key(caller: Caller) -> None:
    for sent in ({}, {"Authorization": ""}, {"Authorization": "Bearer "}, {"Authorization": "Basic YTpi"}):
        found = caller.client.post("/v1/valuations", json=DAL, headers=sent)
        assert_problem(found, 401, "key-missing")


def test_unknown_id(caller: Caller) -> None:
    for record_id in ("val_" + "0" * 26, "nothing", "1%00", "é", "val_' OR 1=1 --", "x" * 3000):
        assert_problem(caller.get(f"/v1/valuations/{record_id}"), 404, "record")


def test_a_refused_request_keeps_nothing(caller: Caller) -> None:
    before = kept_valuations(caller.app)
    for body in ("{", "{}", {**DAL, "levels": [2]}):
        caller.post("/v1/valuations", body)
    assert kept_valuations(caller.app) == before
