"""Queue the e-mails about a request, in the transaction of the change that they tell of."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection


def tell(connection: Connection, request_id: str, version: int, **templates: str) -> None:
    """Queue an e-mail by template for each recipient, `owner` or `specialist`, about this version."""
    for recipient, template in templates.items():
        _enqueue(
            connection,
            name=f"{request_id} {version} {recipient} {template}",
            request_id=request_id,
            recipient=recipient,
            template=template,
            context={},
        )


def _enqueue(connection: Connection, **mail: Any) -> None:
    """`service.mail.outbox.enqueue` takes this one's place once it is there."""
