"""Requests for appraisals are changed whole or not at all, and each change has its event."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from apps import caller_of
from asking import Caller, assert_problem, faults_of
from flask import Flask
from request_bodies import IT, REQUESTS, asked, made, moved, owner_of, patched, path_of


@pytest.fixture
def specialist(shared_app: Flask) -> Caller:
    return caller_of(shared_app, "requests")


def test_a_change_is_shown_and_tagged_as_get_shows_it(specialist: Caller) -> None:
    request = made(specialist)
    changed = patched(specialist, request, state="reviewing", in_hand=["figure", "condition.neck"])
    again = specialist.get(path_of(request))
    assert changed.data == again.data and changed.headers["ETag"] == again.headers["ETag"]
    assert changed.json["in_hand"] == ["figure", "condition.neck"]


def test_of_two_changes_of_one_state_one_is_refused(specialist: Caller) -> None:
    request = made(specialist)
    tag = specialist.get(path_of(request)).headers["ETag"]
    headers = {"If-Match": tag}

    def change(number: int) -> int:
        return int(
            patched(
                specialist, request, in_hand=[("figure", "year")[number % 2]], headers=headers
            ).status_code
        )

    with ThreadPoolExecutor(8) as pool:
        found = sorted(pool.map(change, range(8)))
    assert found == [200] + [412] * 7
    assert len(specialist.get(f"{path_of(request)}/history").json["events"]) == 2


def test_a_change_that_fails_half_way_leaves_nothing(own_app: Flask, monkeypatch: pytest.MonkeyPatch) -> None:
    specialist = caller_of(own_app, "requests")
    request = made(specialist)
    moved(specialist, request, "reviewing")
    before = specialist.get(path_of(request)).data
    with monkeypatch.context() as patch:  # at the last thing that is done
        patch.setattr("service.mail.outbox.queue_for", lambda *_, **__: 1 / 0)
        assert_problem(patched(specialist, request, state="declined", reason="x"), 500, "unexpected")
        assert_problem(asked(specialist, reference="lost"), 500, "unexpected")
    assert specialist.get(path_of(request)).data == before
    assert len(specialist.get(REQUESTS).json["requests"]) == 1


@pytest.mark.parametrize(
    ("changes", "pointers"),
    [
        ({"state": "gone"}, {"#/state"}),
        ({"state": None}, {"#/state"}),
        ({"graded": {"maker": "Ostvik"}}, {"#/graded/model"}),
        ({"in_hand": ["neck"]}, {"#/in_hand"}),
        ({"in_hand": "figure"}, {"#/in_hand"}),
        ({"adjustment": {"per_cent": "5"}}, {"#/adjustment/reason"}),
        ({"adjustment": {"reason": "x"}}, {"#/adjustment"}),
        (
            {"adjustment": {"amount": "5", "currency": "USD", "per_cent": "5", "reason": "x"}},
            {"#/adjustment"},
        ),
        ({"adjustment": {"amount": "5", "reason": "x"}}, {"#/adjustment/currency"}),
        ({"adjustment": {"amount": "5.001", "currency": "USD", "reason": "x"}}, {"#/adjustment/amount"}),
        ({"adjustment": {"per_cent": "-100", "reason": "x"}}, {"#/adjustment/per_cent"}),
        ({"adjustment": {"per_cent": 5, "reason": "x"}}, {"#/adjustment/per_cent"}),
        ({"message": "hello"}, {"#/message"}),
        ({"questions": ["serial"]}, {"#/questions"}),
        ({"reason": "too far"}, {"#/reason"}),
        ({"state": "reviewing", "reason": "too far", "message": "x"}, {"#/reason", "#/message"}),
        ({"note": "x"}, {"#/note"}),
    ],
)
def test_a_wrong_change_is_named(specialist: Caller, changes: dict[str, Any], pointers: set[str]) -> None:
    request = made(specialist, "?value=false")
    before = specialist.get(path_of(request)).data
    assert set(faults_of(patched(specialist, request, **changes))) == pointers
    assert specialist.get(path_of(request)).data == before


def test_an_owner_can_withdraw_and_change_nothing_else(shared_app: Flask, specialist: Caller) -> None:
    request = made(specialist)
    owner = owner_of(shared_app, request)
    assert set(faults_of(patched(owner, request, state="withdrawn", in_hand=[]))) == {"#/in_hand"}
    assert set(faults_of(patched(owner, request, graded=IT))) == {"#/graded"}
    found = patched(
        owner, request, state="withdrawn", headers={"If-Match": owner.get(path_of(request)).headers["ETag"]}
    )
    assert found.status_code == 200 and found.json["state"] == "withdrawn"
    assert_problem(
        owner.post(f"{path_of(request)}/answers", {"answers": {"serial": "1"}}), 409, "request-state"
    )


def test_what_is_null_is_taken_away(specialist: Caller) -> None:
    request = made(specialist)
    patched(specialist, request, graded=IT, adjustment={"per_cent": "2", "reason": "x"}, in_hand=["figure"])
    found = patched(specialist, request, graded=None, adjustment=None, in_hand=None).json
    assert (found["graded"], found["adjustment"], found["in_hand"], found["version"]) == (None, None, [], 3)
    assert patched(specialist, request).json["version"] == 3  # nothing was sent


def test_every_change_has_its_event(specialist: Caller) -> None:
    request = made(specialist)
    patched(specialist, request, state="reviewing", graded=IT, in_hand=["figure"])
    patched(specialist, request, adjustment={"per_cent": "2", "reason": "Ronja says so"})
    patched(specialist, request, state="waiting_for_owner", questions=["serial"], message="Ronja?")
    patched(specialist, request, state="reviewing")
    patched(specialist, request, state="declined", reason="Ronja, too far")
    events = specialist.get(f"{path_of(request)}/history")
    actions = ["created", "moved", "graded", "to_inspect", "adjusted", "moved", "moved", "moved"]
    assert [event["action"] for event in events.json["events"]] == actions
    assert "Ronja" not in events.text
    shown = specialist.get(path_of(request)).json
    assert [one["text"] for one in shown["messages"]] == ["Ronja?", "Ronja, too far"] and shown[
        "questions"
    ] == []


def test_what_happened_is_told_once_with_the_version_that_it_made(
    own_app: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[tuple[str, int, str]] = []
    monkeypatch.setattr(
        "service.mail.outbox.queue_for",
        lambda connection, row, event, occurrence, words="": told.append((event, occurrence, words)),
    )
    specialist = caller_of(own_app, "requests")
    request = made(specialist, headers={"Idempotency-Key": "one"})
    made(specialist, headers={"Idempotency-Key": "one"})
    moved(specialist, request, "reviewing")
    patched(specialist, request, state="waiting_for_owner", message="where?")
    patched(specialist, request, state="waiting_for_owner", message="and when?")
    specialist.post(f"{path_of(request)}/answers", {"message": "here"})
    patched(specialist, request, state="declined", reason="too far")
    moved(specialist, request, "reviewing")
    moved(owner_of(own_app, request), request, "withdrawn")
    events = [("created", 1, ""), ("asked", 3, "where?"), ("asked", 4, "and when?")]
    events += [("answered", 6, ""), ("declined", 7, "too far"), ("withdrawn", 9, "")]
    assert told == events
    assert specialist.get(path_of(request)).json["version"] == 9
