"""Stock lists as CSV: INSTRUMENTS.csv in, VALUES.csv out, as `models.tables.stocklist` defines them."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence

from models.tables.stocklist import KNOWN_COLUMNS, REQUIRED_COLUMNS, Terms, value_columns, value_rows
from models.tables.table import TableRow, read_table
from models.valuation.valuer import Valuer
from service.api.stocklists.chunks import Answered, chunked


class CsvForm:
    """A stock list in CSV. Raises TableError for an unusable header. `ignored`: columns of unknown names."""

    def __init__(self, lines: Iterable[bytes], valuer: Valuer, terms: Terms) -> None:
        self._table = read_table(lines, KNOWN_COLUMNS, REQUIRED_COLUMNS)
        self._valuer, self._terms = valuer, terms
        self._columns = value_columns(terms.levels)

    @property
    def ignored(self) -> Sequence[str]:
        return self._table.ignored

    def answers(self) -> Iterator[Answered]:
        """Yield the values of the rows, chunk by chunk; the first chunk has the header, even without rows."""
        head = ",".join(self._columns) + "\n"
        for rows in chunked(self._table.rows):
            yield self._answered(rows, head)
            head = ""
        if head:
            yield Answered(head.encode(), (), 0)

    def _answered(self, rows: Sequence[TableRow], head: str) -> Answered:
        out, words = io.StringIO(), list[str]()
        out.write(head)
        writer = csv.DictWriter(out, self._columns, restval="", lineterminator="\n")
        for cells in value_rows(rows, self._valuer, self._terms):
            writer.writerow(cells)
            if "error" not in cells:
                words.append(cells["evidence"])
        return Answered(out.getvalue().encode(), words, len(rows) - len(words))
