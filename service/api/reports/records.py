"""Reports in the database, and their page and PDF among the files."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import Connection, Engine, Row, insert, select, update

from models.costs import UNREFERENCED_HOURS
from service.blobs.store import Blobs
from service.db.engine import reading
from service.db.request_tables import CONTACTS, REPORTS
from service.errors import UnknownRecordError

FOLDER = "reports"
_ID = re.compile(r"rep_[0-9a-v]{26}", re.ASCII)  # other ids can hold characters that the database refuses


class Standing(NamedTuple):
    """One report as a list and a verification show it."""

    id: str
    version: int
    type_of_value: str
    issued: date
    digest: str
    replaces: str | None
    replaced_by: str | None
    erased: date | None


def key_of(report_id: str, form: str) -> str:
    """Return the key of a report among the files. `form`: html or pdf."""
    return f"{FOLDER}/{report_id}.{form}"


def find(connection: Connection, report_id: str) -> Row[Any]:
    """Return the row of a report. Raises UnknownRecordError."""
    possible = _ID.fullmatch(report_id) is not None
    row = connection.execute(select(REPORTS).where(REPORTS.c.id == report_id)).first() if possible else None
    if row is None:
        raise UnknownRecordError("There is no report with this id.")
    return row


def of_request(connection: Connection, request_id: str) -> Sequence[Row[Any]]:
    """Return the rows of a request's reports, oldest first."""
    wanted = select(REPORTS).where(REPORTS.c.request_id == request_id).order_by(REPORTS.c.version)
    return connection.execute(wanted).all()


def standing(connection: Connection, row: Row[Any]) -> Standing:
    """Return what a list and a verification show of a report."""
    newer = connection.execute(select(REPORTS.c.id).where(REPORTS.c.replaces == row.id)).scalar()
    return Standing(
        row.id,
        row.version,
        row.type_of_value,
        row.created.date(),
        row.digest,
        row.replaces,
        newer,
        row.erased.date() if row.erased else None,
    )


def client_of(connection: Connection, request_id: str) -> str | None:
    """Return the name of the owner who asked; None when the person was erased."""
    wanted = select(CONTACTS.c.name).where(CONTACTS.c.request_id == request_id)
    return connection.execute(wanted).scalar()


def add(connection: Connection, row: Mapping[str, Any]) -> None:
    """Add a report."""
    connection.execute(insert(REPORTS).values(row))


def forget(connection: Connection, request_id: str) -> list[str]:
    """Delete the content of a request's reports; return the keys of their files, to `release` afterwards.

    Id, version, digests and day stay, so that a report which someone holds can still be verified.
    """
    kept = of_request(connection, request_id)
    gone = {"content": None, "erased": datetime.now(UTC)}
    mine = (REPORTS.c.request_id == request_id, REPORTS.c.erased.is_(None))
    connection.execute(update(REPORTS).where(*mine).values(gone))
    return [key_of(row.id, form) for row in kept for form in ("html", "pdf")]


def release(blobs: Blobs, keys: Iterable[str]) -> None:
    """Delete these files. If the process ends before, `prune` deletes them later."""
    for key in keys:
        blobs.delete(key)


def prune(engine: Engine, blobs: Blobs, now: datetime | None = None) -> int:
    """Delete files older than a day whose report was erased or never issued; return how many."""
    before = (now or datetime.now(UTC)) - timedelta(hours=UNREFERENCED_HOURS)
    deleted = 0
    for key in list(blobs.keys(FOLDER, before)):
        report_id = key.rpartition("/")[2].partition(".")[0]
        with reading(engine) as connection:
            held = select(REPORTS.c.id).where(REPORTS.c.id == report_id, REPORTS.c.erased.is_(None))
            wanted = connection.execute(held).first() is not None
        if not wanted:
            blobs.delete(key)
            deleted += 1
    return deleted
