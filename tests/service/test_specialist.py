"""The specialist's settings: filled in once, offered but never used unasked, and needed before any report."""

from __future__ import annotations

import json
from typing import Any

import pytest
from apps import caller_of
from asking import Caller, assert_problem
from flask import Flask
from report_facts import SETTINGS
from reporting import requested, settled

TAKES_ALL = json.dumps({"amount": "-999999", "currency": "USD", "reason": "x"})
NEEDED = sorted(SETTINGS.keys() - {"business", "liquidation_share"})


@pytest.fixture
def specialist(shared_app: Flask) -> Caller:
    found = caller_of(shared_app, "requests")
    assert found.ask("put", "/v1/specialist", {}).status_code == 200
    return found


def pointers(problem: dict[str, Any]) -> list[str]:
    return sorted(one["pointer"] for one in problem["errors"])


def test_what_is_sent_is_shown_again(specialist: Caller) -> None:
    sent = {**SETTINGS, "address": "12 Fjord Road\r\n5003 Bergen", "business": "  ", "currency": "usd"}
    found = specialist.ask("put", "/v1/specialist", sent)
    wanted = {**SETTINGS, "business": None} | dict.fromkeys(
        ["reply_received", "reply_reported", "reply_declined"]
    )
    assert found.json["settings"] == wanted and found.json["missing"] == []
    again = specialist.get("/v1/specialist")
    assert again.get_data() == found.get_data() and again.headers["ETag"] == found.headers["ETag"]


def test_a_text_that_is_offered_counts_only_once_it_is_sent(specialist: Caller, shared_app: Flask) -> None:
    found = specialist.get("/v1/specialist").json
    assert sorted(found["missing"]) == NEEDED
    assert found["settings"]["certification"] is None
    assert found["offered"]["certification"].startswith("I certify")
    request_id, _ = requested(shared_app)
    refused = specialist.post(f"/v1/requests/{request_id}/reports", {"type_of_value": "retail_replacement"})
    wanted = sorted(f"#/specialist/{name}" for name in NEEDED)
    assert pointers(assert_problem(refused, 422, "fields")) == wanted
    settled(specialist, certification=found["offered"]["certification"])
    assert specialist.get("/v1/specialist").json["missing"] == []


def test_a_change_of_what_was_read_before_is_refused(specialist: Caller) -> None:
    tag = specialist.get("/v1/specialist").headers["ETag"]
    settled(specialist)
    late = specialist.ask("put", "/v1/specialist", {}, **{"If-Match": tag})
    assert_problem(late, 412, "precondition")
    assert specialist.get("/v1/specialist").json["settings"]["name"] == SETTINGS["name"]
    fresh = specialist.get("/v1/specialist").headers["ETag"]
    changed = specialist.ask("put", "/v1/specialist", {**SETTINGS, "name": "Bo"}, **{"If-Match": fresh})
    assert changed.status_code == 200 and changed.json["settings"]["name"] == "Bo"


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("name", "a" * 201),
        ("name", "Ada\nHolm"),
        ("address", "a\x00b"),
        ("certification", 7),
        ("currency", "XXX"),
        ("liquidation_share", "0.5"),
        ("liquidation_share", "0"),
        ("liquidation_share", "ten"),
        ("liquidation_share", 0.1),
        ("colour", "red"),
    ],
)
def test_a_wrong_one_is_refused_by_its_name(specialist: Caller, name: str, value: Any) -> None:
    found = specialist.ask("put", "/v1/specialist", {**SETTINGS, name: value})
    assert pointers(assert_problem(found, 422, "fields")) == [f"#/{name}"]
    assert specialist.get("/v1/specialist").json["settings"]["name"] is None


# ── nothing is issued while something is empty ───────────────────────────────


@pytest.mark.parametrize("name", NEEDED)
def test_no_report_without_a_setting_that_it_needs(specialist: Caller, shared_app: Flask, name: str) -> None:
    settled(specialist, **{name: None})
    request_id, _ = requested(shared_app)
    path = f"/v1/requests/{request_id}/reports"
    refused = assert_problem(specialist.post(path, {"type_of_value": "fair_market_value"}), 422, "fields")
    assert pointers(refused) == [f"#/specialist/{name}"]
    assert specialist.get(path).json == {"reports": []}


@pytest.mark.parametrize(
    ("type_of_value", "about", "changes", "body", "pointer"),
    [
        ("liquidation", {}, {"liquidation_share": None}, {}, "#/specialist/liquidation_share"),
        ("fair_market_value", {"name": None}, {}, {}, "#/request/contact/name"),
        ("fair_market_value", {"purpose": "curiosity"}, {}, {}, "#/intended_use"),
        ("fair_market_value", {"purpose": "curiosity"}, {}, {"intended_use": " "}, "#/intended_use"),
        ("fair_market_value", {"graded": {"model": "Dal"}}, {}, {}, "#/request/instrument/maker"),
        ("fair_market_value", {"graded": {"maker": "Ostvik"}}, {}, {}, "#/request/instrument/model"),
        ("fair_market_value", {}, {}, {"replaces": "rep_x"}, "#/replaces"),
        ("fair_market_value", {}, {}, {"effective_date": "soon"}, "#/effective_date"),
        ("market_value", {}, {}, {}, "#/type_of_value"),
        (
            "fair_market_value",
            {"adjustment": '{"per_cent": "1", "reason": null}'},
            {},
            {},
            "#/request/adjustment/reason",
        ),
        (
            "fair_market_value",
            {"adjustment": TAKES_ALL},
            {},
            {},
            "#/request/adjustment",
        ),
    ],
)
def test_no_report_without_anything_else_that_it_needs(
    specialist: Caller,
    shared_app: Flask,
    type_of_value: str,
    about: dict[str, Any],
    changes: dict[str, Any],
    body: dict[str, Any],
    pointer: str,
) -> None:
    settled(specialist, **changes)
    request_id, _ = requested(shared_app, **about)
    path = f"/v1/requests/{request_id}/reports"
    refused = assert_problem(specialist.post(path, {"type_of_value": type_of_value, **body}), 422, "fields")
    assert pointers(refused) == [pointer]
    assert specialist.get(path).json == {"reports": []}


@pytest.mark.parametrize("state", ["received", "waiting_for_owner", "reported", "declined", "withdrawn"])
def test_no_report_from_a_state_that_does_not_lead_to_it(
    specialist: Caller, shared_app: Flask, state: str
) -> None:
    settled(specialist)
    request_id, _ = requested(shared_app, state=state)
    path = f"/v1/requests/{request_id}/reports"
    refused = specialist.post(path, {"type_of_value": "fair_market_value"})
    assert_problem(refused, 409, "request-state")
    assert specialist.get(path).json == {"reports": []}
