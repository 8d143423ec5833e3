"""Applications that serve the fake model, their parts, and callers of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from asking import SECRET, Caller
from fakes import read_fake
from flask import Flask
from migrated import migrated
from sqlalchemy import delete

from service.app import create_app
from service.context import Context
from service.db.engine import writing
from service.db.tables import CHANGES, EVIDENCE, OUTCOMES
from service.keys.records import KeyRing
from service.settings import Settings

# All tests of one application ask from one address. They are counted all the same.
UNLIMITED = {
    f"limit_{name}": 2**31
    for name in ("system", "website", "visitor", "address", "website_requests", "visitor_requests")
} | {"limit_unproved_requests": 2**31}
NewDatabase = Callable[[str], str]


def make_app(store: Path | str, database: str, **settings: Any) -> Flask:
    """An application on a migrated database; without limits, unless they are set."""
    # Beside no database: it can be PostgreSQL's.
    beside = Path(store).parent if isinstance(store, Path) else None
    places = {"files": str(beside / "files"), "mail": f"file:{beside / 'mail'}"} if beside else {}
    usual = {"secret": SECRET, **places, **UNLIMITED}
    found = Settings(store=store, database=database, **{**usual, **settings})
    migrated(found.database).dispose()
    return create_app(found, read_model=read_fake)


def parts(app: Flask) -> Context:
    """Return the context that the factory made."""
    found: Context = app.extensions["bookmatch"]
    return found


def keys_of(app: Flask) -> KeyRing:
    return parts(app).keys


def caller_of(app: Flask, *scopes: str) -> Caller:
    """A caller with a new key of these scopes; valuations, if none are named."""
    return Caller(app, keys_of(app).create("tests", scopes or ("valuations",))[1])


def without_evidence(app: Flask) -> None:
    with writing(parts(app).engine) as connection:
        for table in (OUTCOMES, CHANGES, EVIDENCE):
            connection.execute(delete(table))


def kept_valuations(app: Flask) -> int:
    """Count the valuations in its database."""
    with parts(app).engine.connect() as connection:
        return int(connection.exec_driver_sql("SELECT count(*) FROM valuation").scalar() or 0)


def paths(app: Flask) -> list[tuple[str, str]]:
    """Every path of the API, with its own method; placeholders filled in. The desk has tests of its own."""
    filled = []
    for rule in app.url_map.iter_rules():
        if rule.rule.startswith("/desk"):
            continue
        path = rule.rule.replace("<name:maker>", "Ostvik").replace("<name:model>", "Dal")
        path = path.replace("<string:valuation_id>", "val_" + "0" * 26)
        path = path.replace("<string:request_id>", "req_" + "0" * 26)
        filled.append((path, next((m for m in ("POST", "GET", "PUT", "DELETE") if m in rule.methods), "GET")))
    return filled
