"""Requests to write e-mails about, a mail server that records what it took, and a clock that tests move."""

from __future__ import annotations

import json
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email import policy
from email.message import EmailMessage
from email.parser import BytesParser
from pathlib import Path
from secrets import token_hex
from typing import Any

from aiosmtpd.controller import Controller
from asking import DAL, SECRET
from sqlalchemy import Engine, delete, insert, select, update

from service.db.engine import reading, writing
from service.db.request_tables import CONTACTS, EVENTS, OUTBOX, REQUESTS
from service.keys.records import KeyRing
from service.mail.delivery.smtp import MailServer
from service.mail.outbox import enqueue, state_of
from service.mail.sender import send_due
from service.settings import Settings

NAME, ADDRESS, LINK = "Anna Muster", "anna.muster@example.org", "bmf_0123456789abcdef"
HOST = "127.0.0.1"


@dataclass
class Clock:
    """A clock that stands still until it is moved; it begins late enough for all that is queued meanwhile."""

    at: datetime = field(default_factory=lambda: datetime.now(UTC) + timedelta(seconds=30))

    def __call__(self) -> datetime:
        return self.at

    def forward(self, **time: float) -> None:
        self.at += timedelta(**time)


def new_request(
    engine: Engine, *, name: str = NAME, email: str = ADDRESS, language: str = "en", link: str = LINK
) -> str:
    """Put a request with its contact into the database; its id."""
    request_id, now = f"req_{token_hex(13)}", datetime.now(UTC)
    row: dict[str, Any] = {
        "id": request_id,
        "key_id": KeyRing(engine, SECRET).create("a form", ["requests"])[0],
        **dict.fromkeys(("created", "changed", "consented"), now),
        "version": 1,
        "state": "received",
        "purpose": "sale",
        "instrument": json.dumps(DAL["instrument"]),
        "language": language,
        "consent": "1",
        "link_digest": token_hex(32),
    }
    with writing(engine) as connection:
        connection.execute(insert(REQUESTS).values(row))
        contact = {"request_id": request_id, "name": name, "email": email, "link": link}
        connection.execute(insert(CONTACTS).values(contact))
        event = {"request_id": request_id, "at": now, "actor": row["key_id"], "action": "created"}
        connection.execute(insert(EVENTS).values(**event, detail="{}"))
    return request_id


def erase_contact(engine: Engine, request_id: str) -> None:
    with writing(engine) as connection:
        connection.execute(delete(CONTACTS).where(CONTACTS.c.request_id == request_id))


def queued(engine: Engine, request_id: str, template: str = "received", **more: Any) -> int:
    """Queue an e-mail; its id."""
    row = {"name": f"{request_id} {template}", "recipient": "owner", "template": template, **more}
    with writing(engine) as connection:
        enqueue(connection, request_id=request_id, **row)
        return int(connection.execute(select(OUTBOX.c.id).where(OUTBOX.c.name == row["name"])).scalar_one())


def failed_email(engine: Engine) -> int:
    """Keep an e-mail that failed for good; its number."""
    email_id = queued(engine, new_request(engine))
    with writing(engine) as connection:
        connection.execute(update(OUTBOX).where(OUTBOX.c.id == email_id).values(parked=OUTBOX.c.created))
    return email_id


def row_of(engine: Engine, email_id: int) -> Any:
    with reading(engine) as connection:
        return connection.execute(select(OUTBOX).where(OUTBOX.c.id == email_id)).first()


def settings_of(engine: Engine, folder: Path, **more: Any) -> Settings:
    """Settings of a service on this database; without a mail server, e-mails go into the folder."""
    own = {"mail": f"file:{folder}", "public_url": "https://values.example.org", **more}
    return Settings(
        store=folder, secret=SECRET, database=engine.url.render_as_string(hide_password=False), **own
    )


def parsed(content: bytes) -> EmailMessage:
    """Read an e-mail as a mail program does; it must have no defect."""
    found = BytesParser(_class=EmailMessage, policy=policy.SMTP).parsebytes(content)
    assert [one.defects for one in found.walk() if one.defects] == []
    return found


def text_of(message: EmailMessage, kind: str = "plain") -> str:
    part = message.get_body((kind,))
    assert part is not None
    return str(part.get_content()).replace("\r\n", "\n")


@dataclass
class Post:
    """A mail server's handler of e-mails (for aiosmtpd), with all that it took.

    `at_rcpt`, `at_data`: its answers in order, the last for good; `breaks`: it takes the text and is gone.
    """

    at_rcpt: list[str] = field(default_factory=lambda: ["250 OK"])
    at_data: list[str] = field(default_factory=lambda: ["250 OK"])
    breaks: bool = False
    sleeps: Callable[[], Any] | None = None
    taken: list[tuple[list[str], bytes]] = field(default_factory=list)
    asked: int = 0

    async def handle_RCPT(  # noqa: N802  # the library finds it by this name
        self, server: Any, session: Any, envelope: Any, address: str, _: Any
    ) -> str:
        self.asked += 1
        if self.sleeps is not None:
            await self.sleeps()
        answer = self.at_rcpt.pop(0) if len(self.at_rcpt) > 1 else self.at_rcpt[0]
        if answer.startswith("2"):
            envelope.rcpt_tos.append(address)
        return answer

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802
        answer = self.at_data.pop(0) if len(self.at_data) > 1 else self.at_data[0]
        if answer.startswith("2"):
            self.taken.append((envelope.rcpt_tos, envelope.content))
        if self.breaks:
            server.transport.abort()
        return answer

    @property
    def ids(self) -> list[str]:
        """The Message-ID of each e-mail that it took."""
        return [str(parsed(content)["Message-ID"]) for _, content in self.taken]


@contextmanager
def serving(post: Post, *, utf8: bool = False, **options: Any) -> Iterator[str]:
    """A mail server that runs in a thread; its address. `utf8`: it takes addresses that are not ASCII."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port = probe.getsockname()[1]
    controller = Controller(post, hostname=HOST, port=port, enable_SMTPUTF8=utf8, **options)
    controller.start()
    try:
        yield f"smtp://{HOST}:{port}"
    finally:
        controller.stop()


@dataclass
class Office:
    """A database with its settings, a mail server, and a clock."""

    engine: Engine
    folder: Path
    address: str
    post: Post
    clock: Clock

    def send(self, *, seconds: float = 5.0, **more: Any) -> dict[str, int]:
        """Send what is due at the clock's time."""
        asked = {"mail": self.address, "mail_from": "values@example.org", **more}
        settings = settings_of(self.engine, self.folder, **asked)
        server = MailServer(settings, seconds)
        return dict(send_due(self.engine, settings, server=server, clock=self.clock))

    def state(self, email_id: int) -> str:
        return state_of(row_of(self.engine, email_id), self.clock())


@contextmanager
def office_on(engine: Engine, folder: Path) -> Iterator[Office]:
    """An office with a mail server that runs, and nothing queued."""
    post, clock = Post(), Clock()
    with writing(engine) as connection:
        connection.execute(delete(OUTBOX))
    with serving(post) as address:
        yield Office(engine, folder, address, post, clock)
