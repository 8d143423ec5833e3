"""A process that is killed at any step of issuing a report: nothing is lost, and nothing is there twice."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import Caller
from dying import Children, children_of
from flask import Flask
from report_child import PDF
from report_facts import DAY
from reporting import requested, settled
from sqlalchemy import select

from service.api.reports import issuing, records
from service.db.engine import reading
from service.db.request_tables import OUTBOX, REPORTS
from service.db.tables import VALUATIONS

ROOT = Path(__file__).parents[2]
BODY = {"type_of_value": "fair_market_value", "effective_date": DAY}
# Each moment of the path, in its order, and whether all was done by then.
MOMENTS = {
    "before print 1": False,
    "after put 1": False,
    "after put 2": False,
    "after claim 1": False,
    "after valuation 1": False,
    "after report 1": False,
    "after event 1": False,
    "after e-mail 1": False,
    "after committed 1": True,
}


@pytest.fixture(scope="module")
def children() -> Iterator[Children]:
    with children_of("report_child.py") as found:
        yield found


@pytest.fixture(scope="module")
def office(
    backend: str, new_database: NewDatabase, fake_store: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Flask]:
    files = tmp_path_factory.mktemp("files")
    app = make_app(fake_store, new_database(backend), files=str(files))
    yield app
    parts(app).engine.dispose()


@pytest.fixture
def specialist(office: Flask, monkeypatch: pytest.MonkeyPatch) -> Caller:
    monkeypatch.setattr(issuing, "run", lambda *rest, **more: PDF)
    found = caller_of(office, "requests")
    settled(found)
    return found


def killed_at(children: Children, specialist: Caller, path: str, point: str) -> None:
    settings = parts(specialist.app).settings
    children.ask(settings, key=specialist.key, path=path, body=BODY, point=point)
    assert children.ended() == -9, f"it was not killed {point}"


def rows_of(app: Flask, request_id: str) -> tuple[list[Any], list[Any], int]:
    """The reports and e-mails of a request, and how many valuations there are in all."""
    with reading(parts(app).engine) as connection:
        reports, emails = (
            list(connection.execute(select(table).where(table.c.request_id == request_id)))
            for table in (REPORTS, OUTBOX)
        )
        return reports, emails, len(list(connection.execute(select(VALUATIONS.c.id))))


@pytest.mark.parametrize("point", MOMENTS)
def test_a_kill_at_a_step_leaves_one_report_after_it_is_asked_again(
    specialist: Caller, children: Children, point: str
) -> None:
    app, done = specialist.app, MOMENTS[point]
    request_id, _ = requested(app)
    path = f"/v1/requests/{request_id}/reports"
    before = rows_of(app, request_id)[2]
    killed_at(children, specialist, path, point)
    reports, emails, valuations = rows_of(app, request_id)
    assert (len(reports), len(emails), valuations - before) == ((1, 1, 1) if done else (0, 0, 0))
    state = specialist.get(f"/v1/requests/{request_id}").json["state"]
    assert state == ("reported" if done else "reviewing")
    made = specialist.post(path, BODY, **{"Idempotency-Key": "issued once"})
    assert made.status_code == 201, made.text
    (report,), emails, valuations = rows_of(app, request_id)
    assert (report.id, report.version, len(emails), valuations - before) == (made.json["id"], 1, 1, 1)
    assert not done or report == reports[0]
    assert specialist.get(f"/v1/requests/{request_id}").json["state"] == "reported"
    assert specialist.get(f"/v1/reports/{report.id}.pdf").get_data() == PDF
    assert specialist.get(f"/v1/reports/{report.id}.html").status_code == 200


def test_files_that_a_killed_process_left_go_and_those_of_a_report_stay(
    specialist: Caller, children: Children
) -> None:
    context = parts(specialist.app)
    path = f"/v1/requests/{requested(specialist.app)[0]}/reports"
    later = datetime.now(UTC) + timedelta(days=1)
    before = set(context.blobs.keys("reports", later))
    killed_at(children, specialist, path, "after put 2")
    left = set(context.blobs.keys("reports", later)) - before
    made = specialist.post(path, BODY, **{"Idempotency-Key": "issued once"})
    assert len(left) == 2
    records.prune(context.engine, context.blobs, datetime.now(UTC) + timedelta(days=2))
    kept = set(context.blobs.keys("reports", later))
    assert not left & kept
    assert {records.key_of(made.json["id"], form) for form in ("html", "pdf")} <= kept
