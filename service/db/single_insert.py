"""Insert one row in a transaction of its own, without SQLAlchemy's general work for each statement.

That work costs more than the database's own. The stored row and the errors are the same as with SQLAlchemy.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from sqlalchemy import Dialect, Engine, Table, insert
from sqlalchemy.exc import DBAPIError


class _Statement(NamedTuple):
    """A compiled INSERT. `order`: its parameters' names in order, None if the driver takes them by name."""

    text: str
    order: tuple[str, ...] | None
    written: Mapping[str, Callable[[Any], Any]]  # column → conversion of its value for the driver


class SingleInsert:
    """Inserts rows into one table, each in a transaction of its own."""

    def __init__(self, table: Table) -> None:
        self._table = table
        self._made: dict[str, _Statement] = {}

    def run(self, engine: Engine, row: Mapping[str, Any]) -> None:
        """Insert a row with a value for every column. Raises the same errors as SQLAlchemy."""
        dialect = engine.dialect
        insert = self._made.get(dialect.name) or self._statement(dialect)
        values = {**row, **{name: write(row[name]) for name, write in insert.written.items()}}
        parameters = values if insert.order is None else tuple(values[name] for name in insert.order)
        assert dialect.loaded_dbapi is not None
        try:
            _execute(engine, insert.text, parameters)
        except dialect.loaded_dbapi.Error as error:
            raise DBAPIError.instance(
                insert.text, None, error, dialect.loaded_dbapi.Error, hide_parameters=True, dialect=dialect
            ) from error

    def _statement(self, dialect: Dialect) -> _Statement:
        compiled = insert(self._table).compile(dialect=dialect)
        processors = {
            c.name: c.type.dialect_impl(dialect).bind_processor(dialect) for c in self._table.columns
        }
        written = {name: process for name, process in processors.items() if process is not None}
        order = tuple(compiled.positiontup or ()) if compiled.positional else None
        found = self._made[dialect.name] = _Statement(str(compiled), order, written)
        return found


def _execute(engine: Engine, text: str, parameters: Any) -> None:
    pooled = engine.raw_connection()
    try:
        cursor = pooled.cursor()
        if engine.dialect.name == "sqlite":
            cursor.execute("BEGIN IMMEDIATE")  # as every writer does (`service.db.engine`)
        cursor.execute(text, parameters)
        pooled.commit()
    finally:
        pooled.close()  # this rolls back a transaction that was not committed
