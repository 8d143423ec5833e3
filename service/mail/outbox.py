"""The outbox: e-mails wait in the database, queued in the transaction of the change that they tell of.

A row says which request it is about and which text it has, but not who the owner is: name, address and
private link are joined when it is sent (`service.mail.leases`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Row, and_, delete, select, update
from sqlalchemy.dialects import postgresql, sqlite

from service.context import context as shared
from service.db.request_tables import EVENTS, OUTBOX
from service.errors import EmailStateError, UnknownRecordError
from service.mail.delivery import files

OWNER, SPECIALIST = "owner", "specialist"
# What happens to a request → the e-mails that it queues: who gets one, and which text it has.
AFTER: Mapping[str, Mapping[str, str]] = {
    "created": {OWNER: "received", SPECIALIST: "new_request"},
    "asked": {OWNER: "question"},
    "reported": {OWNER: "reported"},
    "corrected": {OWNER: "corrected"},
    "declined": {OWNER: "declined"},
    "answered": {SPECIALIST: "owner_answered"},
    "photographed": {SPECIALIST: "owner_photographs"},
    "withdrawn": {SPECIALIST: "owner_withdrew"},
}
QUEUED, SENT, UNCERTAIN, FAILED = "queued", "sent", "uncertain", "failed"


def queue_for(
    connection: Connection, row: Row[Any], event: str, occurrence: str | int = "", **words: str
) -> None:
    """Queue the e-mails of `AFTER` about what happened to this request, in the transaction of the change.

    `row`: the request's. `occurrence`: which time it is that this happened, as a version or a day; the same
    one queues nothing again. `words`: what a text quotes, as `words` of a question.
    """
    for recipient, template in AFTER[event].items():
        if recipient == OWNER or shared().settings.mail_specialist:
            name = f"{row.id} {template} {occurrence}"
            enqueue(
                connection,
                name=name,
                request_id=row.id,
                recipient=recipient,
                template=template,
                context=words,
            )


def enqueue(
    connection: Connection,
    *,
    name: str,
    request_id: str,
    recipient: str,
    template: str,
    context: Mapping[str, str] | None = None,
) -> None:
    """Queue one e-mail in an open transaction; a name that was queued before queues nothing."""
    now = datetime.now(UTC)
    dialect = sqlite if connection.dialect.name == "sqlite" else postgresql
    row = {
        "name": name,
        "request_id": request_id,
        "recipient": recipient,
        "template": template,
        "context": json.dumps(context or {}, ensure_ascii=False),
        "created": now,
        "due": now,
        "attempts": 0,
    }
    connection.execute(dialect.insert(OUTBOX).values(row).on_conflict_do_nothing(index_elements=["name"]))


def forget(connection: Connection, request_id: str) -> None:
    """Delete what is still queued about a request, and the files with e-mails about it."""
    mine = OUTBOX.c.request_id == request_id
    # The rows are locked before the files go, so that a sender cannot write one meanwhile.
    connection.execute(update(OUTBOX).where(mine).values(context="{}"))
    folder = files.folder_of(shared().settings)
    for row in connection.execute(select(OUTBOX.c.id, OUTBOX.c.name).where(mine)).all() if folder else ():
        files.remove(folder, row.id, row.name)
    connection.execute(delete(OUTBOX).where(mine, OUTBOX.c.sent.is_(None)))


def entries(connection: Connection, before: int | None, limit: int) -> list[Row[Any]]:
    """Return up to `limit` e-mails, newest first. `before`: only those with a lower number than this."""
    query = select(OUTBOX).order_by(OUTBOX.c.id.desc()).limit(limit)
    return list(connection.execute(query if before is None else query.where(OUTBOX.c.id < before)).all())


def entry(connection: Connection, email_id: int) -> Row[Any]:
    """Return the row of this e-mail. Raises UnknownRecordError."""
    row = connection.execute(select(OUTBOX).where(OUTBOX.c.id == email_id)).first()
    if row is None:
        raise UnknownRecordError(f"There is no e-mail {email_id}.")
    return row


def state_of(row: Row[Any], now: datetime) -> str:
    """Say how far an e-mail has come; one that a process is sending is still queued."""
    if row.sent is not None:
        return SENT
    if row.parked is not None:
        return FAILED
    over = row.leased is None or row.leased <= now
    return UNCERTAIN if row.handed is not None and over else QUEUED


def send_again(connection: Connection, email_id: int, actor: str) -> None:
    """Queue an e-mail anew that is uncertain or failed, because a person wants it, and record who did.

    Raises UnknownRecordError, and EmailStateError for an e-mail that is neither.
    """
    now = datetime.now(UTC)
    row = entry(connection, email_id)
    uncertain = and_(OUTBOX.c.handed.is_not(None), OUTBOX.c.leased.is_(None) | (OUTBOX.c.leased <= now))
    stuck = and_(OUTBOX.c.sent.is_(None), OUTBOX.c.parked.is_not(None) | uncertain)
    anew = {"due": now, "attempts": 0, "leased": None, "handed": None, "parked": None, "failure": None}
    if not connection.execute(update(OUTBOX).where(OUTBOX.c.id == email_id, stuck).values(anew)).rowcount:
        raise EmailStateError(f"The e-mail {email_id} is neither uncertain nor failed.")
    detail = json.dumps({"e_mail": email_id, "was": state_of(row, now)})
    event = {"request_id": row.request_id, "at": now, "actor": actor, "action": "email_sent_again"}
    connection.execute(EVENTS.insert().values(**event, detail=detail))
