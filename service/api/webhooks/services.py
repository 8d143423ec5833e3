"""Make, change, test and delete webhooks, give them new secrets, and list and repeat deliveries."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from types import SimpleNamespace
from typing import Any

import orjson
from flask import g
from sqlalchemy import Connection, Row

from service.api.webhooks.schemas import dump_delivery, dump_made_webhook, dump_replay, dump_webhook
from service.context import context
from service.db.engine import reading, writing
from service.errors import ShownOnceError
from service.http.hooks.conditional import check_unchanged
from service.http.idempotency import StoredResponse, claim_of_request, run_once, taken
from service.http.pagination import Page, next_link
from service.webhooks import deliveries, endpoints
from service.webhooks.signing import secret_of

PATH = "/v1/webhooks"


def path_of(webhook_id: str) -> str:
    """Return the path of a webhook."""
    return f"{PATH}/{webhook_id}"


def listed() -> dict[str, Any]:
    """Return all webhooks."""
    with reading(context().engine) as connection:
        return {"webhooks": [_shown(connection, row) for row in endpoints.all_of(connection)]}


def show(webhook_id: str) -> dict[str, Any]:
    """Return a webhook. Raises UnknownRecordError."""
    with reading(context().engine) as connection:
        return _shown(connection, endpoints.found(connection, webhook_id))


def make(asked: Mapping[str, Any]) -> dict[str, Any]:
    """Make a webhook. Raises ShownOnceError if this request's Idempotency-Key made one before."""
    return _made_once(lambda connection: endpoints.add(connection, g.caller.key_id, **asked))


def rotate(webhook_id: str, overlap_hours: float) -> dict[str, Any]:
    """Give a webhook a new secret. Raises UnknownRecordError, or ShownOnceError as in `make`."""

    def add(connection: Connection) -> str:
        row = endpoints.found(connection, webhook_id, to_change=True)
        endpoints.rotate(connection, row, g.caller.key_id, overlap_hours)
        return webhook_id

    return _made_once(add)


def change(webhook_id: str, asked: Mapping[str, Any]) -> dict[str, Any]:
    """Change a webhook. Raises UnknownRecordError, werkzeug's PreconditionFailed."""
    values = {**asked, **({"changes": json.dumps(asked["changes"])} if "changes" in asked else {})}
    return _changed(webhook_id, lambda c, row: endpoints.change(c, row, g.caller.key_id, values))


def test(webhook_id: str) -> dict[str, Any]:
    """Queue a test of a webhook. Raises UnknownRecordError."""
    with writing(context().engine) as connection:
        endpoints.test(connection, endpoints.found(connection, webhook_id, to_change=True), g.caller.key_id)
        return _shown(connection, endpoints.found(connection, webhook_id))


def remove(webhook_id: str) -> dict[str, Any]:
    """Delete a webhook; return it as it was. Raises UnknownRecordError, werkzeug's PreconditionFailed."""
    with writing(context().engine) as connection:
        row = endpoints.found(connection, webhook_id, to_change=True)
        shown = _shown(connection, row)
        check_unchanged(orjson.dumps(shown))
        endpoints.remove(connection, row, g.caller.key_id)
        return shown


def listed_deliveries(
    webhook_id: str, state: str | None, page: Page
) -> tuple[dict[str, Any], dict[str, str]]:
    """Return a page of deliveries, newest first, and the header with the link to the next one."""
    with reading(context().engine) as connection:
        endpoints.found(connection, webhook_id)
        rows = deliveries.entries(connection, webhook_id, state, page.after, page.limit + 1)
    shown = rows[: page.limit]
    body = {"deliveries": [dump_delivery(row) for row in shown]}
    return body, next_link(rows, page, shown[-1].id if shown else 0)


def sent_again(webhook_id: str, event_id: str) -> dict[str, Any]:
    """Queue a delivery again. Raises UnknownRecordError."""
    with writing(context().engine) as connection:
        endpoints.found(connection, webhook_id, to_change=True)
        return dump_delivery(deliveries.send_again(connection, webhook_id, event_id, g.caller.key_id))


def replay(webhook_id: str, asked: Mapping[str, Any]) -> StoredResponse:
    """Queue events again. Raises UnknownRecordError."""

    def queue(connection: Connection) -> StoredResponse:
        endpoints.found(connection, webhook_id, to_change=True)
        start = {"event_id": asked.get("event"), "since": asked.get("since")}
        again = deliveries.replay(connection, webhook_id, g.caller.key_id, **start)
        return StoredResponse(200, None, orjson.dumps(dump_replay(again)))

    return run_once(queue, claim_of_request())


def _changed(webhook_id: str, work: Callable[[Connection, Row[Any]], None]) -> dict[str, Any]:
    with writing(context().engine) as connection:
        row = endpoints.found(connection, webhook_id, to_change=True)
        check_unchanged(orjson.dumps(_shown(connection, row)))
        work(connection, row)
        return _shown(connection, endpoints.found(connection, webhook_id))


def _made_once(add: Callable[[Connection], str]) -> dict[str, Any]:
    claim = claim_of_request()
    with writing(context().engine) as connection:
        webhook_id = add(connection)
        before = taken(connection, claim, webhook_id) if claim else None
        if before is not None:
            raise ShownOnceError(before, "webhook")  # the error rolls back what was made
        row = endpoints.found(connection, webhook_id)
        secret = secret_of(context().settings.secret, endpoints.newest_seed(connection, webhook_id))
        return dump_made_webhook(_with_secrets(connection, row, secret=secret))


def _shown(connection: Connection, row: Row[Any]) -> dict[str, Any]:
    return dump_webhook(_with_secrets(connection, row))


def _with_secrets(connection: Connection, row: Row[Any], **more: str) -> SimpleNamespace:
    return SimpleNamespace(**row._mapping, secrets=endpoints.secrets_of(connection, row.id), **more)
