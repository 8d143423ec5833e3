"""Queue the e-mails about a request, in the transaction of the change that they tell of."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Row


def tell(connection: Connection, row: Row[Any], event: str, occurrence: int, **words: str) -> None:
    """Queue the e-mails about what happened to a request: `service.mail.outbox.queue_for`, once it is there.

    `occurrence`: the version of the request by then. `words`: what the e-mail quotes.
    """
