"""E-mails to a real mail server: each once, whatever the server does, on SQLite and on PostgreSQL."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path

import pytest
from apps import NewDatabase
from mail_ground import (
    ADDRESS,
    HOST,
    Clock,
    Office,
    erase_contact,
    new_request,
    office_on,
    queued,
    row_of,
)
from migrated import migrated
from sqlalchemy import Engine, delete

from models.costs import MAIL_LEASE_SECONDS, MAIL_PAUSES
from service.db.engine import writing
from service.db.request_tables import OUTBOX
from service.mail import leases
from service.mail.outbox import send_again


@pytest.fixture(scope="module")
def engine_of_mail(backend: str, new_database: NewDatabase) -> Iterator[Engine]:
    engine = migrated(new_database(backend))
    yield engine
    engine.dispose()


@pytest.fixture
def office(engine_of_mail: Engine, tmp_path: Path) -> Iterator[Office]:
    with office_on(engine_of_mail, tmp_path) as found:
        yield found


def test_an_e_mail_is_sent_once_to_the_owner(office: Office) -> None:
    email_id = queued(office.engine, new_request(office.engine))
    assert office.send() == {"sent": 1}
    office.clock.forward(days=9)
    assert office.send() == {}
    ((recipients, _),) = office.post.taken
    assert recipients == [ADDRESS]
    row = row_of(office.engine, email_id)
    assert (office.state(email_id), row.attempts, row.failure, row.leased) == ("sent", 1, None, None)
    assert row.handed <= row.sent


def test_a_temporary_refusal_is_tried_again_after_growing_pauses_for_two_days(office: Office) -> None:
    office.post.at_rcpt = ["451 later"]
    email_id = queued(office.engine, new_request(office.engine))
    begun, pauses = office.clock(), []
    for _ in range(9):
        assert office.send() == {"postponed": 1}
        assert office.send() == {}, "it was tried before its time"
        due = row_of(office.engine, email_id).due
        pauses.append(due - office.clock())
        office.clock.at = due
    assert pauses[0] == timedelta(minutes=1)
    assert pauses == sorted(pauses) and len(set(pauses)) > 5
    assert timedelta(days=2) < office.clock() - begun < timedelta(days=2, hours=3)
    assert row_of(office.engine, email_id).failure == "the mail server answered 451"
    assert office.send() == {"failed": 1}
    assert (office.state(email_id), office.post.asked) == ("failed", len(MAIL_PAUSES) + 1)
    office.clock.forward(days=30)
    assert office.send() == {}


def test_after_a_temporary_refusal_it_is_sent(office: Office) -> None:
    office.post.at_rcpt, office.post.at_data = ["450 busy", "250 OK"], ["452 full", "250 OK"]
    email_id = queued(office.engine, new_request(office.engine))
    for wanted in ("postponed", "postponed", "sent"):
        assert office.send() == {wanted: 1}
        office.clock.forward(hours=1)
    assert (len(office.post.taken), row_of(office.engine, email_id).attempts) == (1, 3)


@pytest.mark.parametrize("where", ["at_rcpt", "at_data"])
def test_a_permanent_refusal_is_parked_with_its_code_and_no_address(office: Office, where: str) -> None:
    setattr(office.post, where, [f"550 nobody is called {ADDRESS}"])
    email_id = queued(office.engine, new_request(office.engine))
    assert office.send() == {"failed": 1}
    assert row_of(office.engine, email_id).failure == "the mail server answered 550"
    office.clock.forward(days=9)
    assert (office.send(), office.state(email_id)) == ({}, "failed")
    setattr(office.post, where, ["250 OK"])
    with writing(office.engine) as connection:
        send_again(connection, email_id, "command")
    assert office.send() == {"sent": 1}
    assert len(office.post.taken) == 1


def test_a_server_that_hangs_is_left_and_asked_later(office: Office) -> None:
    email_id = queued(office.engine, new_request(office.engine))
    office.post.sleeps = lambda: asyncio.sleep(3)
    assert office.send(seconds=0.3) == {"postponed": 1}
    assert "broke off" in row_of(office.engine, email_id).failure
    office.post.sleeps = None
    office.clock.forward(minutes=2)
    assert office.send() == {"sent": 1}


def test_no_server_is_asked_later(office: Office) -> None:
    email_id = queued(office.engine, new_request(office.engine))
    with socket.socket() as probe:
        probe.bind((HOST, 0))  # and nobody listens
        assert office.send(mail=f"smtp://{HOST}:{probe.getsockname()[1]}") == {"postponed": 1}
    assert row_of(office.engine, email_id).failure.endswith("ConnectionRefusedError")


def test_a_server_that_dies_after_the_text_leaves_it_uncertain_and_it_is_not_sent_again(
    office: Office,
) -> None:
    office.post.breaks = True
    email_id = queued(office.engine, new_request(office.engine))
    assert office.send() == {"uncertain": 1}
    assert office.state(email_id) == "uncertain"
    office.post.breaks = False
    office.clock.forward(days=9)
    assert office.send() == {}
    assert len(office.post.taken) == 1
    with writing(office.engine) as connection:
        send_again(connection, email_id, "command")
    assert office.send() == {"sent": 1}
    assert len(set(office.post.ids)) == 1 and len(office.post.ids) == 2


def test_a_server_that_says_goodbye_badly_took_it_all_the_same(office: Office) -> None:
    """An error after the server took it must not count as a refusal."""

    async def rude(*_: object) -> str:
        return "554 no goodbye"

    office.post.handle_QUIT = rude  # type: ignore[attr-defined]
    email_id = queued(office.engine, new_request(office.engine))
    assert office.send() == {"sent": 1}
    assert office.state(email_id) == "sent"


@pytest.mark.parametrize(("greeting", "wanted"), [(b"554 go away\r\n", "554"), (b"421 busy\r\n", "421")])
def test_a_server_that_serves_nobody_is_asked_later(office: Office, greeting: bytes, wanted: str) -> None:
    email_id = queued(office.engine, new_request(office.engine))
    with socket.create_server((HOST, 0)) as server:

        def refuse() -> None:
            peer, _ = server.accept()
            with peer:
                peer.sendall(greeting)

        thread = threading.Thread(target=refuse)
        thread.start()
        assert office.send(mail=f"smtp://{HOST}:{server.getsockname()[1]}") == {"postponed": 1}
        thread.join()
    assert row_of(office.engine, email_id).failure.endswith(f"answered {wanted}")


def test_a_lease_is_for_one_process_and_lost_when_another_takes_it(office: Office) -> None:
    email_id, now = queued(office.engine, new_request(office.engine)), office.clock()
    first = leases.claim(office.engine, email_id, now)
    assert first is not None and leases.claim(office.engine, email_id, now) is None
    later = now + timedelta(seconds=MAIL_LEASE_SECONDS)
    second = leases.claim(office.engine, email_id, later)
    assert second is not None and second.attempts == 2
    assert leases.hand(office.engine, first, later) is None
    handed = leases.hand(office.engine, second, later + timedelta(seconds=1))
    assert handed is not None
    with writing(office.engine) as connection:
        assert not leases.finish(connection, first, later) and not leases.finish(connection, second, later)
        assert leases.finish(connection, handed, later)
    long_after = later + timedelta(days=30)
    assert leases.claim(office.engine, email_id, long_after) is None
    assert leases.due(office.engine, long_after) == []


def test_an_e_mail_to_an_erased_owner_is_dropped_unsent(office: Office) -> None:
    request_id = new_request(office.engine)
    email_id = queued(office.engine, request_id)
    erase_contact(office.engine, request_id)
    assert office.send() == {"gone": 1}
    assert (row_of(office.engine, email_id), office.post.taken) == (None, [])


def test_an_e_mail_that_is_erased_while_the_server_is_asked_does_not_go(office: Office) -> None:
    email_id = queued(office.engine, new_request(office.engine))

    async def erase() -> None:
        with writing(office.engine) as connection:
            connection.execute(delete(OUTBOX).where(OUTBOX.c.id == email_id))

    office.post.sleeps = erase
    assert office.send() == {"gone": 1}
    assert (office.post.asked, office.post.taken) == (1, [])


def test_a_lease_that_is_over_is_taken_by_another_and_the_first_does_not_send(office: Office) -> None:
    email_id = queued(office.engine, new_request(office.engine))
    second = Clock(office.clock() + timedelta(seconds=MAIL_LEASE_SECONDS + 1))
    ends: list[dict[str, int]] = []

    async def overtaken() -> None:
        if len(ends) == 0 and office.post.asked == 1:
            office.post.sleeps = None
            other = Office(office.engine, office.folder, office.address, office.post, second)
            ends.append(await asyncio.to_thread(other.send))

    office.post.sleeps = overtaken
    assert office.send() == {"gone": 1}
    assert ends == [{"sent": 1}]
    assert len(office.post.taken) == 1 and office.state(email_id) == "sent"


def test_many_senders_at_once_send_each_e_mail_once(office: Office) -> None:
    request_id = new_request(office.engine)
    ids = [queued(office.engine, request_id, name=f"{request_id} {n}") for n in range(24)]
    with ThreadPoolExecutor(4) as pool:
        ends = [future.result() for future in [pool.submit(office.send, seconds=30) for _ in range(4)]]
    assert sum(end.get("sent", 0) for end in ends) == len(ids)
    assert len(office.post.ids) == len(set(office.post.ids)) == len(ids)
    assert sum(bool(end) for end in ends) > 1, "only one of them sent, so that nothing was tried"
