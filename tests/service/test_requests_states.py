"""The table of who may move a request between states, row by row, and any run of moves."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import Caller, assert_problem, faults_of
from flask import Flask
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from request_bodies import made, moved, owner_of, patched, path_of
from sqlalchemy import update

from service.api.requests import states
from service.db.request_tables import REQUESTS

# From the issue, not from the code. Each row: from, to, who may.
MOVES = """
received           reviewing          specialist
received           withdrawn          owner
reviewing          waiting_for_owner  specialist
reviewing          declined           specialist
reviewing          reported           specialist
reviewing          withdrawn          owner
waiting_for_owner  reviewing          specialist answers
waiting_for_owner  withdrawn          owner
reported           reviewing          specialist
declined           reviewing          specialist
withdrawn          reviewing          specialist
"""
RIGHT = {(row.split()[0], row.split()[1], who) for row in MOVES.split("\n") for who in row.split()[2:]}
NAMES = ("received", "reviewing", "waiting_for_owner", "reported", "declined", "withdrawn")
WHO = {"specialist": states.SPECIALIST, "owner": states.OWNER, "answers": states.ANSWERS}
CALLERS = ("specialist", "owner")


@pytest.mark.parametrize("who", WHO)
@pytest.mark.parametrize("start", NAMES)
def test_the_table_says_what_the_issue_says(start: str, who: str) -> None:
    assert tuple(states.STATES) == NAMES
    assert set(states.allowed(start, WHO[who])) == {to for to in NAMES if (start, to, who) in RIGHT}


@pytest.fixture(scope="module")
def app(fake_store: Path, new_database: NewDatabase) -> Iterator[Flask]:
    app = make_app(fake_store, new_database("sqlite"), log_level="error")
    yield app
    parts(app).engine.dispose()


@pytest.fixture(scope="module")
def specialist(app: Flask) -> Caller:
    return caller_of(app, "requests")


def put(app: Flask, request: dict[str, str], state: str) -> None:
    with parts(app).engine.begin() as connection:
        connection.execute(update(REQUESTS).where(REQUESTS.c.id == request["id"]).values(state=state))


@pytest.mark.parametrize("who", CALLERS)
@pytest.mark.parametrize("start", NAMES)
def test_over_http_a_move_is_made_or_refused_with_what_is_allowed(
    app: Flask, specialist: Caller, start: str, who: str
) -> None:
    request = made(specialist, "?value=false")
    caller = {"specialist": specialist, "owner": owner_of(app, request)}[who]
    for to in NAMES:
        if to == start:
            continue
        put(app, request, start)
        found = patched(caller, request, state=to)
        if (start, to, who) in RIGHT and to != "reported":  # which a report alone can do
            assert found.status_code == 200 and found.json["state"] == to
        elif (start, to, who) not in RIGHT:
            said = assert_problem(found, 409, "request-state")["detail"]
            ways = [name for name in NAMES if (start, name, who) in RIGHT and name != "reported"]
            assert all(word in said for word in (start, to, who, *ways)), said
            assert specialist.get(path_of(request)).json["state"] == start


def test_a_state_is_read_in_any_letters_and_a_misspelt_one_is_told_the_nearest(specialist: Caller) -> None:
    request = made(specialist, "?value=false")
    assert patched(specialist, request, state="Reviewing").json["state"] == "reviewing"
    refused = faults_of(patched(specialist, request, state="recieved"))
    assert refused["#/state"]["next_step"] == "did you mean received?"


def test_no_request_is_called_reported_without_a_report(specialist: Caller) -> None:
    request = made(specialist, "?value=false")
    moved(specialist, request, "reviewing")
    found = patched(specialist, request, state="reported")
    assert "/reports" in assert_problem(found, 409, "request-state")["detail"]


def test_a_reported_request_is_graded_only_for_a_correction(app: Flask, specialist: Caller) -> None:
    request = made(specialist, "?value=false")
    put(app, request, "reported")
    assert_problem(patched(specialist, request, in_hand=["figure"]), 409, "request-state")
    assert patched(specialist, request, in_hand=["figure"], state="reviewing").json["in_hand"] == ["figure"]


@settings(
    max_examples=40,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(st.lists(st.tuples(st.sampled_from(CALLERS), st.sampled_from(NAMES)), max_size=12))
def test_after_any_run_of_moves_the_history_is_a_walk_through_the_table(
    app: Flask, specialist: Caller, run: list[tuple[str, str]]
) -> None:
    request = made(specialist, "?value=false")
    owner = owner_of(app, request)
    for who, to in run:
        patched({"specialist": specialist, "owner": owner}[who], request, state=to)
    shown = specialist.get(path_of(request)).json
    events = specialist.get(f"{path_of(request)}/history").json["events"]
    at = "received"
    for event in events[1:]:
        who = "owner" if event["actor"] == "owner" else "specialist"
        assert event["detail"]["from"] == at
        at = event["detail"]["to"]
        assert (event["detail"]["from"], at, who) in RIGHT
    assert (shown["state"], shown["version"]) == (at, len(events))
