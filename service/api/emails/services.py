"""E-mails for answers: pages of them, and one that is sent again."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

from flask import g
from sqlalchemy import Row

from service.api.emails.schemas import dump_email
from service.context import context
from service.db.engine import reading, writing
from service.errors import UnknownRecordError
from service.http.pagination import Page, next_link
from service.mail import outbox

_ID = re.compile(r"\d{1,18}", re.ASCII)


def listed(page: Page) -> tuple[dict[str, Any], dict[str, str]]:
    """Return a page of e-mails, newest first, and the header with the link to the next one."""
    with reading(context().engine) as connection:
        found = outbox.entries(connection, page.after or None, page.limit + 1)
    shown = found[: page.limit]
    return {"emails": [_shown(row) for row in shown]}, next_link(found, page, shown[-1].id if shown else 0)


def sent_again(email_id: str) -> dict[str, Any]:
    """Queue an e-mail anew that is uncertain or failed. Raises UnknownRecordError, EmailStateError."""
    if not _ID.fullmatch(email_id):
        raise UnknownRecordError(f"There is no e-mail {email_id[:40]!r}.")
    with writing(context().engine) as connection:
        outbox.send_again(connection, int(email_id), g.caller.key_id)
        return _shown(outbox.entry(connection, int(email_id)))


def _shown(row: Row[Any]) -> dict[str, Any]:
    state = outbox.state_of(row, datetime.now(UTC))
    return dump_email(SimpleNamespace(**row._mapping, state=state))
