"""Read evidence from a file or from the service's own database."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import click
from tqdm import tqdm

from models.domain.catalogue import Catalogue
from models.domain.cells import last_day
from models.domain.money import Rates
from models.errors import BookmatchError
from models.tables.evidence_columns import (
    COLUMNS,
    CONFIRMED,
    NO_WARNINGS,
    ORDER,
    TABLE,
    WARNINGS,
    WITHDRAWN,
    from_row,
)
from models.tables.intake import AcceptedRow, Intake, Refusal
from models.tables.table import TableRow
from training.reading import Reading, RefusedRowsError, gathered, read_evidence

if TYPE_CHECKING:
    from sqlalchemy import ColumnClause, Connection, Engine

Source = Path | str  # The path of a file, or the address of a database.

_ADDRESS = re.compile(r"(sqlite:///|postgres(?:ql)?(?:\+psycopg)?://)(.+)")
_AT_ONCE = 1_000  # Number of records fetched from the database at a time.


class DatabaseError(BookmatchError):
    """The database cannot be read; the message says why, and never holds a password."""


class SourceParameter(click.Path):
    """A command-line argument: the path of an existing file, or the address of a database."""

    def __init__(self) -> None:
        super().__init__(exists=True, dir_okay=False, path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return a database's address unchanged, and any other text as the path of an existing file."""
        return value if _ADDRESS.fullmatch(str(value)) else super().convert(value, param, ctx)


def named(source: Source) -> str:
    """Name a source in messages. A database's address is not shown, as it can hold a password."""
    return str(source) if isinstance(source, Path) else "the database"


def read_source(
    source: Source, catalogue: Catalogue, rates: Rates, *, strict: bool = False, with_held: bool = False
) -> Reading:
    """Read all records of a file, or those of the service's database that are in use and not held out.

    A record is held out while the service has warned of it and nobody has confirmed or corrected it;
    `with_held` reads it all the same. File and database are checked by the same rules. A database's records
    come in the order in which they were added. Raises TableError for an unreadable file, DatabaseError for an
    unreadable database, and RefusedRowsError when `strict` and any row is bad.
    """
    if isinstance(source, Path):
        return read_evidence(source, catalogue, rates, strict=strict)
    intake = Intake(catalogue, rates, last_day())
    with _connected(source) as connection:
        warned = _warned(connection)
        held = () if with_held else tuple(warned[False])
        found = gathered(map(_as_record, intake.rows(_records(connection, set(held)))))
        reading = replace(found, held=held, confirmed=frozenset(warned[True]))
    if strict and reading.refused:
        raise RefusedRowsError(named(source), reading.refused)
    return reading


def _as_record(one: AcceptedRow | Refusal) -> AcceptedRow | Refusal:
    return replace(one, unit="record") if isinstance(one, Refusal) else one


def _warned(connection: Connection) -> dict[bool, list[str]]:
    """Return the ids of the records in use that have warnings: those that were confirmed, and the others."""
    from sqlalchemy import column, select, table

    evidence = table(TABLE, *map(column, ("id", ORDER, WITHDRAWN, WARNINGS, CONFIRMED)))
    query = select(evidence.c.id, evidence.c[CONFIRMED].is_not(None)).order_by(evidence.c[ORDER])
    found: dict[bool, list[str]] = {True: [], False: []}
    for record_id, confirmed in connection.execute(
        query.where(evidence.c[WITHDRAWN].is_(None), evidence.c[WARNINGS] != NO_WARNINGS)
    ):
        found[bool(confirmed)].append(record_id)
    return found


def _records(connection: Connection, held: set[str]) -> Iterator[TableRow]:
    """Yield the database's records in the form of rows of an evidence file, numbered from 1.

    `held`: ids of records that are left out.
    """
    from sqlalchemy import Date, column, func, select, table

    day = column("day", Date)
    others: list[ColumnClause[Any]] = [column(name) for name in COLUMNS if name != "day"]
    evidence = table(
        TABLE,
        column(ORDER),
        column(WITHDRAWN),
        day,
        *others,
    )
    used = evidence.c[WITHDRAWN].is_(None)
    count = connection.execute(select(func.count()).select_from(evidence).where(used)).scalar()
    query = select(day, *others).select_from(evidence).where(used).order_by(evidence.c[ORDER])
    found = connection.execution_options(yield_per=_AT_ONCE).execute(query)
    with tqdm(found, total=count, unit="records", desc="reading the database", disable=None) as bar:
        for number, row in enumerate(bar, 1):
            if row.id not in held:
                yield TableRow(number, from_row(row._asdict()).to_flat())


@contextmanager
def _connected(address: str) -> Iterator[Connection]:
    """Open a read-only transaction on the database at this address. Raises DatabaseError."""
    from sqlalchemy.exc import SQLAlchemyError

    engine = None
    try:
        engine = _engine(address)
        with engine.begin() as connection:
            yield connection
    except (SQLAlchemyError, ValueError) as error:
        # The driver's message can repeat the address with its password, so only the error's type is shown.
        why = type(getattr(error, "orig", None) or error).__name__
        step = "is the address right, and was the service's database migrated?"
        raise DatabaseError(f"the database cannot be read ({why}); {step}") from None
    finally:
        if engine is not None:
            engine.dispose()


def _engine(address: str) -> Engine:
    from sqlalchemy import create_engine
    from sqlalchemy.engine import make_url

    if address.startswith("sqlite"):
        path = make_url(address).database or ""

        def connect() -> sqlite3.Connection:
            return sqlite3.connect(f"file:{quote(path)}?mode=ro", uri=True)

        return create_engine("sqlite://", creator=connect)
    url = make_url(address).set(drivername="postgresql+psycopg")
    return create_engine(url, connect_args={"options": "-c default_transaction_read_only=on"})
