"""An issued report stays, to the byte; no file stays without a row, and none after the person was erased."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import Caller, assert_problem
from fakes import write_fake
from flask import Flask
from report_facts import DAY
from reporting import issued, photographed, reopened, requested, settled
from sqlalchemy import delete, select, update

from models.bundles.registry import Registry
from models.costs import UNREFERENCED_HOURS
from service.api.reports import issuing, records
from service.api.reports.records import forget, prune, release
from service.children.runner import ChildFailedError
from service.db.engine import reading, writing
from service.db.request_tables import CONTACTS, EVENTS, OUTBOX, REPORTS, REQUESTS

LATER = datetime.now(UTC) + timedelta(hours=UNREFERENCED_HOURS + 1)


@pytest.fixture
def specialist(shared_app: Flask) -> Caller:
    found = caller_of(shared_app, "requests")
    settled(found)
    return found


def files(app: Flask, report_id: str = "") -> list[str]:
    return sorted(key for key in parts(app).blobs.keys(records.FOLDER) if report_id in key)


def asked(specialist: Caller, request_id: str) -> Any:
    body = {"type_of_value": "fair_market_value", "effective_date": DAY}
    return specialist.post(f"/v1/requests/{request_id}/reports", body)


def queued(app: Flask, request_id: str) -> list[str]:
    """The e-mails to the owner that are queued about a request, oldest first."""
    with reading(parts(app).engine) as connection:
        mine = select(OUTBOX.c.template).where(OUTBOX.c.request_id == request_id).order_by(OUTBOX.c.id)
        return list(connection.execute(mine).scalars())


def nothing_issued(app: Flask, request_id: str) -> bool:
    with reading(parts(app).engine) as connection:
        reports = select(REPORTS.c.id).where(REPORTS.c.request_id == request_id)
        events = select(EVENTS.c.id).where(EVENTS.c.request_id == request_id)
        state = select(REQUESTS.c.state).where(REQUESTS.c.id == request_id)
        kept = connection.execute(reports).all() or connection.execute(events).all()
        return not kept and connection.execute(state).scalar() == "reviewing"


def test_erasing_the_person_leaves_what_verifies_and_nothing_else(
    shared_app: Flask, specialist: Caller
) -> None:
    request_id, link = requested(shared_app)
    photographed(shared_app, request_id)
    answer = issued(specialist, request_id)
    pdf = specialist.get(f"/v1/reports/{answer['id']}.pdf").get_data()
    assert len(files(shared_app, answer["id"])) == 2
    with writing(parts(shared_app).engine) as connection:
        connection.execute(delete(CONTACTS).where(CONTACTS.c.request_id == request_id))
        keys = forget(connection, request_id)
    release(parts(shared_app).blobs, keys)
    assert files(shared_app, answer["id"]) == []
    for end in ("", ".html", ".pdf"):
        for caller in (specialist, Caller(shared_app, link)):
            assert_problem(caller.get(f"/v1/reports/{answer['id']}{end}"), 410, "erased")
    with reading(parts(shared_app).engine) as connection:
        row = connection.execute(select(REPORTS).where(REPORTS.c.id == answer["id"])).one()
    assert row.content is None and row.digest == answer["digest"] and row.erased
    path = f"/v1/reports/{answer['id']}/verification"
    found = Caller(shared_app, None).post(path, pdf, **{"Content-Type": "application/pdf"}).json
    assert found["is_report"] and found["form"] == "pdf" and found["erased"]
    assert "erased" in Caller(shared_app, None).get(f"/verify/{answer['id']}").text
    reopened(specialist, request_id)
    again = assert_problem(asked(specialist, request_id), 422, "fields")
    assert "#/request/contact/name" in {one["pointer"] for one in again["errors"]}


def test_a_change_meanwhile_stops_it(
    shared_app: Flask, specialist: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    request_id, _ = requested(shared_app)

    def graded_meanwhile(*args: Any, **kwargs: Any) -> bytes:
        with writing(parts(shared_app).engine) as connection:
            mine = update(REQUESTS).where(REQUESTS.c.id == request_id)
            connection.execute(mine.values(version=REQUESTS.c.version + 1))
        return b"a PDF"

    monkeypatch.setattr(issuing, "run", graded_meanwhile)
    before = files(shared_app)
    assert_problem(asked(specialist, request_id), 409, "overtaken")
    assert nothing_issued(shared_app, request_id)
    left = [key for key in files(shared_app) if key not in before]
    assert len(left) == 2
    assert prune(parts(shared_app).engine, parts(shared_app).blobs) == 0  # they are young
    assert prune(parts(shared_app).engine, parts(shared_app).blobs, LATER) >= 2
    assert [key for key in files(shared_app) if key in left] == []


def test_of_two_at_once_one_is_issued(
    shared_app: Flask, specialist: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    request_id, _ = requested(shared_app)
    inner = []

    def another_meanwhile(*args: Any, **kwargs: Any) -> bytes:
        monkeypatch.setattr(issuing, "run", lambda *args, **kwargs: b"a PDF")
        inner.append(asked(specialist, request_id).status_code)
        return b"another PDF"

    monkeypatch.setattr(issuing, "run", another_meanwhile)
    assert_problem(asked(specialist, request_id), 409, "overtaken")
    assert inner == [201]
    (only,) = specialist.get(f"/v1/requests/{request_id}/reports").json["reports"]
    assert only["version"] == 1


def test_a_process_that_fails_leaves_nothing(
    shared_app: Flask, specialist: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    request_id, _ = requested(shared_app)

    def fails(*args: Any, **kwargs: Any) -> bytes:
        raise ChildFailedError("it met a limit")

    monkeypatch.setattr(issuing, "run", fails)
    before = files(shared_app)
    assert asked(specialist, request_id).status_code >= 500
    assert nothing_issued(shared_app, request_id) and files(shared_app) == before


def test_pruning_keeps_what_was_issued(shared_app: Flask, specialist: Caller) -> None:
    request_id, _ = requested(shared_app)
    answer = issued(specialist, request_id)
    prune(parts(shared_app).engine, parts(shared_app).blobs, LATER)
    assert len(files(shared_app, answer["id"])) == 2
    assert specialist.get(f"/v1/reports/{answer['id']}.pdf").status_code == 200


def test_no_worker_loads_what_sets_a_pdf() -> None:
    code = "import sys, service.app; sys.exit('weasyprint' in sys.modules or 'PIL' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


# ── for ever ─────────────────────────────────────────────────────────────────


@pytest.fixture
def alone(store: Any, backend: str, new_database: NewDatabase) -> Iterator[Flask]:
    app = make_app(store, new_database(backend), key_seconds=0)
    yield app
    parts(app).engine.dispose()


def test_it_never_changes_and_a_correction_names_it(alone: Flask, store: Any) -> None:
    specialist = caller_of(alone, "requests")
    settled(specialist)
    request_id, _ = requested(alone)
    first = issued(specialist, request_id)
    ends = ("", ".html", ".pdf")
    before = [specialist.get(f"/v1/reports/{first['id']}{end}").get_data() for end in ends]

    graded = {"maker": "Ostvik", "model": "Fjell 2", "condition": {"neck": 0}}
    with writing(parts(alone).engine) as connection:
        connection.execute(update(REQUESTS).values(graded=json.dumps(graded), version=REQUESTS.c.version + 1))
    Registry(store).promote(write_fake(store, 9.0), who="tests", why="another")
    parts(alone).live.look()
    settled(specialist, name="Another Person", certification="Another text.")
    assert [specialist.get(f"/v1/reports/{first['id']}{end}").get_data() for end in ends] == before

    assert queued(alone, request_id) == ["reported"]
    path, body = f"/v1/requests/{request_id}/reports", {"type_of_value": "fair_market_value"}
    assert_problem(specialist.post(path, body), 409, "request-state")
    reopened(specialist, request_id)
    refused = assert_problem(specialist.post(path, body), 422, "fields")
    assert {one["pointer"] for one in refused["errors"]} == {"#/replaces", "#/reason"}
    second = issued(specialist, request_id, replaces=first["id"], reason="The neck was graded too badly.")
    assert (second["version"], first["version"]) == (2, 1)
    assert queued(alone, request_id) == ["reported", "corrected"]
    assert [specialist.get(f"/v1/reports/{first['id']}{end}").get_data() for end in ends] == before
    new = json.loads(specialist.get(f"/v1/reports/{second['id']}").get_data())
    wanted = {"id": first["id"], "version": 1, "reason": "The neck was graded too badly."}
    assert new["report"]["replaces"] == wanted
    assert new["opinion"]["figures"] != json.loads(before[0])["opinion"]["figures"]
    verified = Caller(alone, None).post(
        f"/v1/reports/{first['id']}/verification", before[2], **{"Content-Type": "application/pdf"}
    )
    assert verified.json["is_report"] and verified.json["replaced_by"] == second["id"]
    listed = specialist.get(path).json["reports"]
    assert [(one["id"], one["replaced_by"]) for one in listed] == [
        (first["id"], second["id"]),
        (second["id"], None),
    ]
