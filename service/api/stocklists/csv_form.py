"""Stock lists as CSV: INSTRUMENTS.csv in, VALUES.csv out, as `models.tables.stocklist` defines them."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from models.errors import BookmatchError, InputError
from models.tables.stocklist import (
    KNOWN_COLUMNS,
    REQUIRED_COLUMNS,
    Asked,
    Terms,
    read_row,
    row_cells,
    value_columns,
)
from models.tables.table import TableRow, read_table
from models.valuation.valuer import Valuer
from service.api.stocklists.chunks import Answered, RowForm


class CsvForm(RowForm[TableRow]):
    """A stock list in CSV. Raises TableError for an unusable header."""

    def __init__(self, lines: Iterable[bytes], valuer: Valuer, terms: Terms) -> None:
        super().__init__(valuer, terms)
        self._table = read_table(self._run.metered(lines), KNOWN_COLUMNS, REQUIRED_COLUMNS)
        self.ignored = self._table.ignored
        self._out = io.StringIO()
        self._writer = csv.DictWriter(self._out, value_columns(terms.levels), restval="", lineterminator="\n")

    def answers(self) -> Iterator[Answered]:
        """Yield the values of the rows, chunk by chunk; the first chunk has the header, even without rows."""
        self._writer.writeheader()
        head = self._taken()
        for found in super().answers():
            yield found._replace(text=head + found.text)
            head = b""
        if head:
            yield Answered(head, (), 0)

    def rows(self) -> Iterator[TableRow]:
        """Yield the rows of the table."""
        return self._table.rows

    def asked(self, row: TableRow) -> Asked | InputError:
        """Return what a row asks for, or what is wrong with it."""
        return read_row(row, self._valuer, self._terms)

    def answer(
        self, row: TableRow, asked: Any, result: Mapping[str, str] | BookmatchError
    ) -> tuple[bytes, str | None]:
        """Return a row's answer, and its value's word for evidence; None for a row that failed."""
        cells = row_cells(row, result)
        return self._written(cells), cells.get("evidence")

    def refusal(self, line: int, error: InputError) -> bytes:
        """Return a row without an id that says why the list is not read from this line on."""
        return self._written({"error": f"line {line}: {error}"})

    def _written(self, cells: Mapping[str, str]) -> bytes:
        self._writer.writerow(cells)
        return self._taken()

    def _taken(self) -> bytes:
        text = self._out.getvalue()
        self._out.seek(0)
        self._out.truncate()
        return text.encode()
