"""All that is kept about an owner is shown to those who may see it, exported, and erased in one step."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from apps import caller_of, parts
from asking import Caller, assert_problem
from flask import Flask
from pictures import JPEG, jpeg
from request_bodies import CONTACT, IT, made, moved, owner_of, patched, path_of, visitor_of
from sqlalchemy import Connection, func, select

from service.db.engine import truncate_log
from service.db.request_tables import REQUESTS
from service.db.tables import ANSWERS, CLAIMS


@pytest.fixture
def specialist(shared_app: Flask) -> Caller:
    return caller_of(shared_app, "requests")


def test_contact_is_all_that_tells_who_the_owner_is(specialist: Caller) -> None:
    request = made(specialist, message="Hello", reference="F-1")
    found = specialist.get(f"{path_of(request)}/contact")
    assert found.json == {**CONTACT, "message": "Hello", "reference": "F-1", "follow": request["follow"]}
    assert "no-transform" in found.headers["Cache-Control"]


def test_an_export_has_all_and_an_owners_copy_leaves_out_the_work_before_a_report(
    shared_app: Flask, specialist: Caller
) -> None:
    request = made(specialist, message="Hello")
    moved(specialist, request, "reviewing")
    patched(specialist, request, graded=IT, adjustment={"per_cent": "-5", "reason": "worn"})
    specialist.post(f"{path_of(request)}/notes", {"text": "call back"})
    shot = specialist.post(
        f"{path_of(request)}/photographs?view=front", jpeg(), **{"Content-Type": JPEG}
    ).json
    whole = specialist.get(f"{path_of(request)}/export").json
    assert whole["contact"]["name"] == CONTACT["name"] and whole["request"]["adjustment"]["per_cent"] == "-5"
    assert [note["text"] for note in whole["notes"]] == ["call back"] and whole["left_out"] == []
    assert whole["valuation"] == request["valuation"] and len(whole["events"]) == 6
    assert [(one["id"], one["view"]) for one in whole["photographs"]] == [(shot["id"], "front")]
    assert whole["reports"] == []
    own = owner_of(shared_app, request).get(f"{path_of(request)}/export").json
    assert own["contact"] == whole["contact"] and own["valuation"] == whole["valuation"]
    assert (own["notes"], own["request"]["adjustment"]) == ([], None) and own["left_out"]


def test_erasing_honours_if_match(specialist: Caller) -> None:
    request = made(specialist)
    path = f"{path_of(request)}/contact"
    assert_problem(specialist.ask("delete", path, **{"If-Match": '"other"'}), 412, "precondition")
    tag = specialist.get(path).headers["ETag"]
    assert specialist.ask("delete", path, **{"If-Match": tag}).status_code == 200
    assert_problem(specialist.ask("delete", "/v1/requests/req_" + "0" * 26 + "/contact"), 404, "record")


def test_a_request_goes_on_after_its_owner_was_erased(shared_app: Flask, specialist: Caller) -> None:
    request = made(specialist)
    owner = owner_of(shared_app, request)
    specialist.ask("delete", f"{path_of(request)}/contact")
    assert_problem(owner.get(path_of(request)), 401, "key-invalid")
    assert moved(specialist, request, "reviewing")["contact"] is None
    listed = [
        one for one in specialist.get("/v1/requests?limit=500").json["requests"] if one["id"] == request["id"]
    ]
    assert [one["contact"] for one in listed] == [None]
    assert specialist.get(f"{path_of(request)}/export").json["contact"] is None
    assert specialist.get(f"{path_of(request)}/history").json["events"][1]["action"] == "erased"


def _answers(app: Flask) -> tuple[int, int]:
    with parts(app).engine.connect() as connection:
        one, other = (
            connection.execute(select(func.count()).select_from(t)).scalar_one() for t in (ANSWERS, CLAIMS)
        )
        return one, other


def test_answers_under_idempotency_keys_go_and_those_of_others_stay(own_app: Flask) -> None:
    visitor, here = visitor_of(own_app)
    specialist = caller_of(own_app, "requests")
    one, other = (made(visitor, headers={**here, "Idempotency-Key": key}) for key in ("a", "b"))
    for request in (one, other):
        specialist.post(f"{path_of(request)}/notes", {"text": "x"}, **{"Idempotency-Key": request["id"]})
        visitor.post(f"{path_of(request)}/answers", {"message": "y"}, **{**here, "Idempotency-Key": "c"})
    assert _answers(own_app) == (6, 6)
    specialist.ask("delete", f"{path_of(one)}/contact")
    assert _answers(own_app) == (3, 3)
    with parts(own_app).engine.connect() as connection:
        kept = " ".join(connection.execute(select(ANSWERS.c.body)).scalars())
    assert one["id"] not in kept and other["follow"] in kept


def test_whatever_else_knows_the_owner_forgets_in_the_same_step(own_app: Flask) -> None:
    specialist = caller_of(own_app, "requests")
    request = made(specialist)
    heard: list[str] = []

    def forget(connection: Connection, request_id: str) -> Callable[[], object]:
        assert connection.in_transaction()
        heard.append(request_id)
        return lambda: heard.append(f"after {connection.closed}")

    def fail(connection: Connection, request_id: str) -> None:
        raise ZeroDivisionError

    own_app.extensions["bookmatch"] = replace(parts(own_app), forgetters=(forget, fail))
    assert_problem(specialist.ask("delete", f"{path_of(request)}/contact"), 500, "unexpected")
    assert specialist.get(f"{path_of(request)}/contact").json["name"] == CONTACT["name"]
    own_app.extensions["bookmatch"] = replace(parts(own_app), forgetters=(forget,))
    assert specialist.ask("delete", f"{path_of(request)}/contact").status_code == 200
    assert heard == [request["id"], request["id"], "after True"]


def test_the_log_of_sqlite_is_emptied_unless_somebody_reads(own_app: Flask) -> None:
    specialist = caller_of(own_app, "requests")
    made(specialist)
    engine = parts(own_app).engine
    log = engine.url.database + "-wal"  # type: ignore[operator]

    def size() -> int:
        return Path(log).stat().st_size

    assert size() > 0 and truncate_log(engine) and size() == 0
    made(specialist)
    with engine.connect() as reader:
        reader.execute(select(REQUESTS)).all()
        made(specialist)
        assert not truncate_log(engine)
    assert truncate_log(engine) and size() == 0


def test_what_anybody_may_write_is_a_note_only_those_at_work_see(
    shared_app: Flask, specialist: Caller
) -> None:
    request = made(specialist)
    first: Any = specialist.post(f"{path_of(request)}/notes", {"text": "one\r\ntwo"})
    specialist.post(f"{path_of(request)}/notes", {"text": "three"})
    found = specialist.get(f"{path_of(request)}/notes").json["notes"]
    assert [note["text"] for note in found] == ["one\ntwo", "three"] and found[0] == first.json
    owner = owner_of(shared_app, request)
    assert_problem(owner.get(f"{path_of(request)}/notes"), 403, "scope")
    assert "three" not in owner.get(path_of(request)).text
