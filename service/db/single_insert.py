"""One row in a transaction of its own, without what SQLAlchemy does for every statement that there could be.

That work costs more than the database's. The row, the errors and what stands in the database are the same.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from sqlalchemy import Dialect, Engine, Table, insert
from sqlalchemy.exc import DBAPIError


class _Statement(NamedTuple):
    """`order`: names of the parameters by place; None where the driver takes them by name."""

    text: str
    order: tuple[str, ...] | None
    written: Mapping[str, Callable[[Any], Any]]  # column → how the driver is given its value, where changed


class SingleInsert:
    """Keeps rows of one table, each by itself."""

    def __init__(self, table: Table) -> None:
        self._table = table
        self._made: dict[str, _Statement] = {}

    def run(self, engine: Engine, row: Mapping[str, Any]) -> None:
        """Keep it: a value for every column. Raises what a transaction of the engine would."""
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
        pooled.close()  # what was not committed is rolled back
