"""Endpoints in the database: made, changed, tested, given new secrets, deleted; each change is audited."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import Connection, Row, delete, func, insert, select, update

from models.costs import LONGEST_URL, MOST_WEBHOOKS
from models.errors import Fault, InputError
from service.db import audit
from service.db.ids import new_id
from service.db.item_tables import WEBHOOK_SECRETS, WEBHOOKS
from service.errors import UnknownRecordError
from service.networks.addresses import is_public, plain
from service.networks.setting import Networks
from service.webhooks.events import queue_test
from service.webhooks.leases import UNTESTED
from service.webhooks.signing import new_seed

STATES: Mapping[str, str] = {
    UNTESTED: "nothing is sent before it passes a test; what changes after its first is kept for it",
    "active": "it is told of changes",
    "parked": "it took nothing for over a day, or wants no more: its deliveries wait until it passes a test",
}
URL_PATTERN = r"https?://([A-Za-z0-9_.-]+|\[[0-9A-Fa-f:.]+\])(:[1-9]\d{0,4})?([/?][!\"$-\[\]-~]*)?"
_URL = re.compile(URL_PATTERN, re.ASCII)
_STEP = "send the address that your system listens at"
_W, _S = WEBHOOKS.c, WEBHOOK_SECRETS.c


class Secret(NamedTuple):
    """A secret of an endpoint as a list shows it, without the secret."""

    created: datetime
    expires: datetime | None


def url_faults(text: Any, networks: Networks) -> list[Fault]:
    """Return what is wrong with an address as it is written. Where its name leads is seen at each attempt."""
    allowed = "https:// and a host, without a user, a password and a fragment"
    if not isinstance(text, str) or len(text) > LONGEST_URL or not _URL.fullmatch(text):
        return [Fault("url", text, "is not the address of a webhook", allowed, _STEP)]
    host, scheme = _host(text)
    if not host:
        return [Fault("url", text, "is not the address of a webhook", allowed, _STEP)]
    try:
        address = plain(host)
    except ValueError:
        address = ""
    own = networks.lets_in(host, address) if address else host.lower() in networks.names
    if address and not own and not is_public(address):
        return [Fault("url", text, "is an address of a private network", "a public address", _STEP)]
    # Whether a name leads into one of the service's own networks is seen when it is looked up.
    if scheme != "https" and not own and not (networks.networks and not address):
        return [Fault("url", text, "is not protected", "https://", "serve it by https")]
    return []


def _host(text: str) -> tuple[str, str]:
    """Return host and scheme as the sender will read them; an empty host if it cannot."""
    import httpx

    try:
        url = httpx.URL(text)
        port = url.port or 443
    except (httpx.InvalidURL, ValueError):
        return "", ""
    good = not url.userinfo and port < 2**16
    return (url.raw_host.decode("ascii") if good else ""), url.scheme


def add(
    connection: Connection, key_id: str, url: str, description: str | None, changes: Sequence[str]
) -> str:
    """Make an endpoint with a secret; return its id. Raises InputError if no more can be made."""
    there = select(func.count()).select_from(WEBHOOKS).where(_W.deleted.is_(None))
    if connection.execute(there).scalar_one() >= MOST_WEBHOOKS:
        most = f"at most {MOST_WEBHOOKS} webhooks"
        raise InputError([Fault("url", url, "is one webhook too many", most, "delete one first")])
    webhook_id, now = new_id("whk"), datetime.now(UTC)
    row = {"id": webhook_id, "key_id": key_id, "created": now, "changed": now, "state": UNTESTED}
    told = {"url": url, "description": description, "changes": json.dumps(list(changes))}
    connection.execute(insert(WEBHOOKS).values(**row, **told))
    _add_secret(connection, webhook_id, now)
    audit.record(connection, key_id, "webhook_created", webhook_id, f"for {', '.join(changes)}")
    return webhook_id


def found(connection: Connection, webhook_id: str, *, to_change: bool = False) -> Row[Any]:
    """Return the row of an endpoint. `to_change`: lock it. Raises UnknownRecordError."""
    query = select(WEBHOOKS).where(_W.id == webhook_id, _W.deleted.is_(None))
    row = connection.execute(query.with_for_update(key_share=True) if to_change else query).first()
    if row is None:
        raise UnknownRecordError(f"There is no webhook {webhook_id[:40]!r}.")
    return row


def all_of(connection: Connection) -> Sequence[Row[Any]]:
    """Return the rows of all endpoints, oldest first."""
    return connection.execute(select(WEBHOOKS).where(_W.deleted.is_(None)).order_by(_W.id)).all()


def counts(connection: Connection) -> dict[str, int]:
    """Return how many endpoints are in each state."""
    query = select(_W.state, func.count()).where(_W.deleted.is_(None)).group_by(_W.state)
    found = {row[0]: int(row[1]) for row in connection.execute(query)}
    return {state: found.get(state, 0) for state in STATES}


def secrets_of(connection: Connection, webhook_id: str) -> list[Secret]:
    """Return the secrets of an endpoint that sign now, oldest first."""
    alive = _S.expires.is_(None) | (_S.expires > datetime.now(UTC))
    query = select(_S.created, _S.expires).where(_S.webhook_id == webhook_id, alive).order_by(_S.id)
    return [Secret(*row) for row in connection.execute(query)]


def newest_seed(connection: Connection, webhook_id: str) -> str:
    """Return the seed of the present secret of an endpoint."""
    query = select(_S.seed).where(_S.webhook_id == webhook_id).order_by(_S.id.desc()).limit(1)
    return str(connection.execute(query).scalar_one())


def change(connection: Connection, row: Row[Any], key_id: str, values: Mapping[str, Any]) -> None:
    """Change an endpoint. Another address has to be tested before it is sent anything."""
    other = {name: value for name, value in values.items() if getattr(row, name) != value}
    if not other:
        return
    told = {**other, "changed": datetime.now(UTC)}
    if "url" in other:
        anew = {"failures": 0, "failing": None, "due": None, "parked": None, "failure": None}
        told |= {"state": UNTESTED, **anew}
    connection.execute(update(WEBHOOKS).where(_W.id == row.id).values(told))
    audit.record(connection, key_id, "webhook_changed", row.id, f"another {', '.join(sorted(other))}")


def remove(connection: Connection, row: Row[Any], key_id: str) -> None:
    """Delete an endpoint and its secrets; nothing is sent to it any more."""
    connection.execute(delete(WEBHOOK_SECRETS).where(_S.webhook_id == row.id))
    connection.execute(update(WEBHOOKS).where(_W.id == row.id).values(deleted=datetime.now(UTC)))
    audit.record(connection, key_id, "webhook_deleted", row.id, f"it was {row.state}")


def rotate(connection: Connection, row: Row[Any], key_id: str, overlap_hours: float) -> None:
    """Give an endpoint a new secret; those before sign beside it for so many hours more."""
    now = datetime.now(UTC)
    ends = now + timedelta(hours=overlap_hours)
    mine = _S.webhook_id == row.id
    later = _S.expires.is_(None) | (_S.expires > ends)
    connection.execute(update(WEBHOOK_SECRETS).where(mine, later).values(expires=ends))
    _add_secret(connection, row.id, now)
    detail = f"those before sign for {overlap_hours:g} hours more"
    audit.record(connection, key_id, "webhook_rotated", row.id, detail)


def test(connection: Connection, row: Row[Any], key_id: str) -> None:
    """Queue a test; what came of one before is forgotten."""
    connection.execute(update(WEBHOOKS).where(_W.id == row.id).values(failure=None))
    queue_test(connection, row.id)
    audit.record(connection, key_id, "webhook_tested", row.id, f"it was {row.state}")


def _add_secret(connection: Connection, webhook_id: str, now: datetime) -> None:
    row = {"webhook_id": webhook_id, "seed": new_seed(), "created": now}
    connection.execute(insert(WEBHOOK_SECRETS).values(row))
