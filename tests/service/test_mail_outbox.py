"""The outbox: queued with the change, once for each name, without a word of who the owner is, and erased."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from apps import NewDatabase, make_app, parts
from click.testing import CliRunner
from flask import Flask
from mail_ground import ADDRESS, LINK, NAME, Clock, new_request, queued, row_of, settings_of
from sqlalchemy import Engine, delete, select, update

from service.cli import main
from service.commands import mail as command
from service.db.engine import reading, writing
from service.db.request_tables import EVENTS, OUTBOX
from service.errors import EmailStateError, UnknownRecordError
from service.mail import outbox
from service.mail.sender import send_due


@pytest.fixture(scope="module")
def app(
    backend: str, new_database: NewDatabase, fake_store: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Flask]:
    folder = tmp_path_factory.mktemp("outbox")
    app = make_app(
        fake_store, new_database(backend), mail=f"file:{folder}", mail_specialist="specialist@example.org"
    )
    yield app
    parts(app).engine.dispose()


@pytest.fixture
def engine(app: Flask) -> Engine:
    found = parts(app).engine
    with writing(found) as connection:
        connection.execute(delete(OUTBOX))
    for path in folder_of(app).glob("*"):
        path.unlink()
    return found


def folder_of(app: Flask) -> Path:
    return Path(parts(app).settings.mail.removeprefix("file:"))


def rows_of(engine: Engine) -> list[Any]:
    with reading(engine) as connection:
        return list(connection.execute(select(OUTBOX).order_by(OUTBOX.c.id)).all())


@pytest.mark.parametrize("event", outbox.AFTER)
def test_each_change_queues_its_e_mails_once(app: Flask, engine: Engine, event: str) -> None:
    row: Any = SimpleNamespace(id=new_request(engine))
    with app.app_context():
        for occurrence in (1, 1, 2):
            with writing(engine) as connection:
                outbox.queue_for(connection, row, event, occurrence, words="Is it sound?")
    wanted = [(row.id, who, template) for _ in range(2) for who, template in outbox.AFTER[event].items()]
    assert [(found.request_id, found.recipient, found.template) for found in rows_of(engine)] == wanted
    assert wanted


def test_without_a_specialist_s_address_only_the_owner_gets_e_mails(app: Flask, engine: Engine) -> None:
    row: Any = SimpleNamespace(id=new_request(engine))
    context = parts(app)
    bare = app.__class__("bare")
    bare.extensions["bookmatch"] = SimpleNamespace(
        settings=settings_of(engine, folder_of(app)), engine=context.engine
    )
    with bare.app_context(), writing(engine) as connection:
        for event in outbox.AFTER:
            outbox.queue_for(connection, row, event)
    assert {found.recipient for found in rows_of(engine)} == {"owner"}


def test_a_change_that_is_rolled_back_queues_nothing(app: Flask, engine: Engine) -> None:
    request_id = new_request(engine)
    with engine.connect() as connection:
        outbox.enqueue(connection, name="x", request_id=request_id, recipient="owner", template="received")
        connection.rollback()
    assert rows_of(engine) == []


def test_no_row_tells_who_the_owner_is(engine: Engine) -> None:
    queued(engine, new_request(engine))
    ((*values,),) = rows_of(engine)
    kept = " ".join(map(str, values))
    assert not any(text in kept for text in (NAME, ADDRESS, LINK, *NAME.split()))


def test_what_a_text_quotes_goes_when_it_is_sent(app: Flask, engine: Engine) -> None:
    email_id = queued(engine, new_request(engine), "question", context={"words": "Is it sound?"})
    assert json.loads(row_of(engine, email_id).context) == {"words": "Is it sound?"}
    assert send_due(engine, parts(app).settings, clock=Clock()) == {"sent": 1}
    (path,) = folder_of(app).glob("*.eml")
    assert b"\r\n> Is it sound?\r\n" in path.read_bytes()
    assert row_of(engine, email_id).context == "{}"


def test_forgetting_deletes_what_is_queued_and_the_files_of_that_request_alone(
    app: Flask, engine: Engine
) -> None:
    mine, other = new_request(engine), new_request(engine)
    sent = queued(engine, mine)
    kept = queued(engine, other)
    assert send_due(engine, parts(app).settings, clock=Clock()) == {"sent": 2}
    waiting, standing = queued(engine, mine, "question"), queued(engine, other, "question")
    half = folder_of(app) / f".{next(folder_of(app).glob(f'{sent}-*')).name}"
    half.write_text(ADDRESS)  # as a process that was killed leaves it
    with app.app_context(), writing(engine) as connection:
        outbox.forget(connection, mine)
    assert [path.name.partition("-")[0] for path in folder_of(app).iterdir()] == [str(kept)]
    assert [row.id for row in rows_of(engine)] == [sent, kept, standing]
    assert row_of(engine, waiting) is None


def test_a_number_that_is_given_again_hides_no_file_of_another_e_mail(app: Flask, engine: Engine) -> None:
    """SQLite gives the number of a deleted row to the next; its file must not count as that one's."""
    first = queued(engine, new_request(engine))
    send_due(engine, parts(app).settings, clock=Clock())
    with writing(engine) as connection:
        connection.execute(delete(OUTBOX))
    second = queued(engine, new_request(engine))
    with writing(engine) as connection:
        connection.execute(update(OUTBOX).where(OUTBOX.c.id == second).values(id=first))
    send_due(engine, parts(app).settings, clock=Clock())
    assert len(list(folder_of(app).glob(f"{first}-*.eml"))) == 2


def test_a_folder_that_cannot_be_written_is_tried_again(app: Flask, engine: Engine, tmp_path: Path) -> None:
    blocked = tmp_path / "blocked"
    blocked.write_text("no folder")
    email_id = queued(engine, new_request(engine))
    clock = Clock()
    assert send_due(engine, settings_of(engine, blocked), clock=clock) == {"postponed": 1}
    assert "could not be written" in row_of(engine, email_id).failure
    clock.forward(minutes=2)
    assert send_due(engine, parts(app).settings, clock=clock) == {"sent": 1}


def test_a_text_that_cannot_be_made_keeps_back_no_other(app: Flask, engine: Engine) -> None:
    request_id = new_request(engine)
    bad, good = queued(engine, request_id, "no_such_text"), queued(engine, request_id)
    assert send_due(engine, parts(app).settings, clock=Clock()) == {"failed": 1, "sent": 1}
    assert row_of(engine, bad).parked and "KeyError" in row_of(engine, bad).failure
    assert row_of(engine, good).sent


def test_only_what_is_uncertain_or_failed_is_sent_again_and_who_wanted_it_is_on_record(
    app: Flask, engine: Engine
) -> None:
    request_id = new_request(engine)
    email_id = queued(engine, request_id)
    with writing(engine) as connection:
        with pytest.raises(EmailStateError):
            outbox.send_again(connection, email_id, "command")
        with pytest.raises(UnknownRecordError):
            outbox.send_again(connection, email_id + 1000, "command")
    with writing(engine) as connection:
        connection.execute(update(OUTBOX).values(handed=OUTBOX.c.created))
    assert outbox.state_of(row_of(engine, email_id), Clock()()) == "uncertain"
    assert send_due(engine, parts(app).settings, clock=Clock()) == {}
    with writing(engine) as connection:
        outbox.send_again(connection, email_id, "0123456789ab")
    assert send_due(engine, parts(app).settings, clock=Clock()) == {"sent": 1}
    with writing(engine) as connection:
        with pytest.raises(EmailStateError):
            outbox.send_again(connection, email_id, "command")
        mine = EVENTS.c.request_id == request_id, EVENTS.c.action != "created"
        event = connection.execute(select(EVENTS).where(*mine)).one()
    assert (event.actor, event.action) == ("0123456789ab", "email_sent_again")
    assert json.loads(event.detail) == {"e_mail": email_id, "was": "uncertain"}


def test_what_a_process_is_sending_is_not_sent_again(engine: Engine) -> None:
    email_id = queued(engine, new_request(engine))
    later = Clock()
    later.forward(minutes=3)
    with writing(engine) as connection:
        connection.execute(update(OUTBOX).values(handed=OUTBOX.c.created, leased=later()))
    with writing(engine) as connection, pytest.raises(EmailStateError):
        outbox.send_again(connection, email_id, "command")


def test_the_command_sends_lists_and_sends_again(
    app: Flask, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(command, "read_settings", lambda: parts(app).settings)
    request_id = new_request(engine)
    email_id, failed = queued(engine, request_id), queued(engine, request_id, "no_such_text")
    run = CliRunner().invoke
    found = run(main, ["mail", "send"])
    assert (found.exit_code, found.stdout) == (0, "1 failed\n1 sent\n")
    rows = json.loads(run(main, ["mail", "list", "--json"]).stdout)
    assert [(row["id"], row["state"], row["request"]) for row in rows] == [
        (failed, "failed", request_id),
        (email_id, "sent", request_id),
    ]
    plain = run(main, ["mail", "list", "--last", "1"]).stdout
    assert plain.startswith(f"{failed}  ") and "KeyError" in plain and plain.count("\n") == 1
    assert not any(text in plain + json.dumps(rows) for text in (NAME, ADDRESS, LINK))
    again = run(main, ["mail", "send", "--again", str(failed)])
    assert (again.exit_code, again.stdout) == (0, "1 failed\n")
    refused = run(main, ["mail", "send", "--again", str(email_id)])
    assert refused.exit_code == 1 and "neither uncertain nor failed" in refused.stderr
