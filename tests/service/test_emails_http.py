"""/v1/e-mails: what came of each e-mail, without an address, and one that is sent again."""

from __future__ import annotations

from typing import Any

import pytest
from apps import caller_of, parts
from asking import Caller
from flask import Flask
from mail_ground import ADDRESS, LINK, NAME, new_request, queued
from sqlalchemy import Engine, delete, update

from service.db.engine import writing
from service.db.request_tables import OUTBOX

MEMBERS = {"id", "request", "recipient", "template", "state", "created", "due", "attempts", "handed"}
MEMBERS |= {"sent", "failure"}


@pytest.fixture
def mailer(shared_app: Flask) -> Caller:
    with writing(parts(shared_app).engine) as connection:
        connection.execute(delete(OUTBOX))
    return caller_of(shared_app, "requests")


@pytest.fixture
def engine(shared_app: Flask) -> Engine:
    return parts(shared_app).engine


def marked(engine: Engine, email_id: int, **values: Any) -> None:
    with writing(engine) as connection:
        connection.execute(update(OUTBOX).where(OUTBOX.c.id == email_id).values(**values))


def test_the_list_shows_the_state_of_each_and_nobody_s_address(mailer: Caller, engine: Engine) -> None:
    request_id = new_request(engine)
    ids = [queued(engine, request_id, name=f"{request_id} {n}") for n in range(4)]
    marked(engine, ids[1], sent=OUTBOX.c.created, handed=OUTBOX.c.created)
    marked(engine, ids[2], handed=OUTBOX.c.created)
    marked(engine, ids[3], parked=OUTBOX.c.created, failure="the mail server answered 550", attempts=1)
    found = mailer.get("/v1/e-mails")
    assert found.status_code == 200 and found.headers["Cache-Control"] == "no-store"
    emails = found.json["emails"]
    assert [(one["id"], one["state"]) for one in emails] == [
        (ids[3], "failed"),
        (ids[2], "uncertain"),
        (ids[1], "sent"),
        (ids[0], "queued"),
    ]
    assert all(set(one) == MEMBERS and one["request"] == request_id for one in emails)
    assert emails[0]["failure"] == "the mail server answered 550"
    assert not any(text in found.text for text in (NAME, ADDRESS, LINK))


def test_the_list_comes_in_pages(mailer: Caller, engine: Engine) -> None:
    request_id = new_request(engine)
    ids = [queued(engine, request_id, name=f"{request_id} {n}") for n in range(3)]
    first = mailer.get("/v1/e-mails?limit=2")
    assert [one["id"] for one in first.json["emails"]] == [ids[2], ids[1]]
    second = mailer.get(first.headers["Link"].partition(">")[0].lstrip("<"))
    assert [one["id"] for one in second.json["emails"]] == [ids[0]]
    assert "Link" not in second.headers


@pytest.mark.parametrize("mark", ["handed", "parked"])
def test_an_uncertain_or_failed_one_is_queued_again(mailer: Caller, engine: Engine, mark: str) -> None:
    email_id = queued(engine, new_request(engine))
    marked(engine, email_id, **{mark: OUTBOX.c.created, "attempts": 7, "failure": "it was so"})
    found = mailer.post(f"/v1/e-mails/{email_id}/sending", None)
    assert found.status_code == 200
    again = {name: found.json[name] for name in ("id", "state", "attempts", "failure", "handed")}
    assert again == {"id": email_id, "state": "queued", "attempts": 0, "failure": None, "handed": None}
    twice = mailer.post(f"/v1/e-mails/{email_id}/sending", None)
    assert (twice.status_code, twice.json["type"]) == (409, "/docs#problem-e-mail-state")


def test_a_sent_one_is_not_sent_again(mailer: Caller, engine: Engine) -> None:
    email_id = queued(engine, new_request(engine))
    marked(engine, email_id, sent=OUTBOX.c.created, handed=OUTBOX.c.created)
    assert mailer.post(f"/v1/e-mails/{email_id}/sending", None).status_code == 409


@pytest.mark.parametrize("email_id", ["0", "99999999999999999", "9" * 40, "x", "-1", "1.0"])
def test_one_that_is_not_there_is_404(mailer: Caller, email_id: str) -> None:
    found = mailer.post(f"/v1/e-mails/{email_id}/sending", None)
    assert (found.status_code, found.json["type"]) == (404, "/docs#problem-record")
