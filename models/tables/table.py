"""A reader of CSV as people write it: any column order, a byte-order mark, CRLF, bad rows among good ones."""

import csv
import re
from collections import Counter, deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from models.costs import LONGEST_LINE, LONGEST_RECORD_LINES, LONGEST_SHOWN, MOST_COLUMNS
from models.domain.names import nearest
from models.domain.spellings import likely_column
from models.errors import Fault, TableError

_ZIP = "PK\x03\x04"  # First bytes of a zip archive, the format of a spreadsheet program's own files.
_MOST_COMPARED = 50  # Columns among which a missing one is looked for.
# A number whose digits are grouped by commas and that is not quoted, so that it became several cells.
_GROUPED = re.compile(r"(?:^|(?<=,))\s*[^\w\s\",]?(\d{1,3}(?:,\d{3}){1,4}(?:\.\d+)?)\s*(?=,|$)", re.ASCII)
_OTHER_SEPARATORS = {";": "semicolons", "\t": "tabs", "|": "bars"}


@dataclass(frozen=True, slots=True)
class TableRow:
    """One row of a table. `line`: the line of the file on which it starts. `cells`: column → text.

    `fault`: why the row cannot be read, if so; `cells` then holds the cells that could be read.
    """

    line: int
    cells: Mapping[str, str]
    fault: Fault | None = None


@dataclass(frozen=True)
class Table:
    """A table with its known columns, its ignored columns, and its rows, which can be iterated once."""

    columns: tuple[str, ...]
    ignored: tuple[str, ...]
    rows: Iterator[TableRow]


def ignored_columns(ignored: Iterable[str], known: Sequence[str]) -> str:
    """Name the ignored columns in a line; one that looks like a known column comes with that name."""
    told = []
    for name in ignored:
        close = likely_column(name, known)
        told.append(f"{name} (did you mean {close[0]}?)" if close else name)
    return f"ignored columns: {', '.join(told)}"


def read_table(
    stream: Iterable[bytes], known: Sequence[str], required: Sequence[str], *, others: bool = False
) -> Table:
    """Read UTF-8 CSV with a header row, row by row; only `known` columns get into the cells.

    `stream`: lines of bytes, as a file opened in binary mode gives them; it is left open. `others`: the other
    columns, which `ignored` names, get into the cells too, under their names as they are written.

    Raises TableError where the whole file is unreadable: no header, a required column missing, a column
    twice, another separator, another encoding. A row that cannot be read comes with a fault.
    """
    lines = _Lines(_decoded(stream))
    header = _header(lines)
    names = [cell.strip().casefold() for cell in header]
    _check_header(header, names, known, required)
    ignored = tuple(
        cell.strip() for cell, name in zip(header, names, strict=True) if name and name not in known
    )
    at = {name: i for i, name in enumerate(names) if name in known}
    if others:
        at |= {header[i].strip(): i for i, name in enumerate(names) if name and name not in known}
        if len(ignored) > len(set(ignored)):
            raise TableError("the header names a column of your own more than once; keep one")
    return Table(tuple(at), ignored, _rows(lines, len(header), at))


_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+")


def _decoded(stream: Iterable[bytes]) -> Iterator[str]:
    """Yield the lines of the file with their line ends; bytes that are not UTF-8 become lone surrogates."""
    for number, part in enumerate(stream):
        line = part.decode("utf-8", "surrogateescape")
        yield from _LINE.findall(line if number else line.removeprefix("\ufeff"))


class _Lines:
    """The lines of the file, taken one by one and counted; lines taken too many can be given back."""

    def __init__(self, text: Iterator[str]) -> None:
        self._text = text
        self._ahead: deque[str] = deque()
        self.number = 0

    def take(self) -> str | None:
        line = self._ahead.popleft() if self._ahead else next(self._text, None)
        if line is None:
            return None
        self.number += 1
        return line

    def give_back(self, lines: Sequence[str]) -> None:
        self._ahead.extendleft(reversed(lines))
        self.number -= len(lines)


def _record(lines: _Lines) -> tuple[int, list[str], list[str] | None] | None:
    """Return the next record as line number, raw lines and cells (None if not CSV); None at the end."""
    first = lines.take()
    if first is None:
        return None
    line, raw = lines.number, [first]
    try:
        return line, raw, next(csv.reader(_longer(raw, lines), strict=True), [])
    except csv.Error:
        lines.give_back(raw[1:])
        return line, raw[:1], None


def _longer(raw: list[str], lines: _Lines) -> Iterator[str]:
    """Yield the record's first line, then each line that a quote left open may belong to; add it to `raw`."""
    yield raw[0]
    quotes, size = raw[0].count('"'), len(raw[0])
    while quotes % 2 and len(raw) < LONGEST_RECORD_LINES and size <= LONGEST_LINE:
        more = lines.take()
        if more is None:
            return
        raw.append(more)
        quotes, size = quotes + more.count('"'), size + len(more)
        yield more


def _rows(lines: _Lines, width: int, at: Mapping[str, int]) -> Iterator[TableRow]:
    while (record := _record(lines)) is not None:
        line, raw, cells = record
        if cells is not None and not any(cell.strip() for cell in cells):
            continue  # Skip a blank line, or a line of commas as spreadsheet programs write it.
        if cells is not None and len(raw) > 1 and _swallowed(raw, cells, width):
            # Refuse only the line with the stray quote, and read the lines after it again.
            lines.give_back(raw[1:])
            raw, cells = raw[:1], None
        yield _row(line, raw, cells, width, at)


def _swallowed(raw: list[str], cells: list[str], width: int) -> bool:
    """Say if these lines became one record by a stray quote, and not by a cell of several lines."""
    return len(cells) != width or any(len(next(csv.reader([part]), [])) == width for part in raw[1:-1])


def _row(line: int, raw: list[str], cells: list[str] | None, width: int, at: Mapping[str, int]) -> TableRow:
    start = _shown(raw[0].strip())[:LONGEST_SHOWN]
    if cells is None:
        odd = raw[0].count('"') % 2
        problem = "has a quote that does not close" if odd else "cannot be read as comma-separated cells"
        return TableRow(line, {}, Fault("row", start, problem, "", "double the quotes inside a quoted cell"))
    found = {name: cells[i] for name, i in at.items() if i < len(cells)}
    if any(not part.isascii() and _shown(part) != part for part in raw):
        bad = next((name for name, cell in found.items() if _shown(cell) != cell), "row")
        readable = {name: _shown(cell) for name, cell in found.items()}
        shown = readable.get(bad, start)[:LONGEST_SHOWN]
        return TableRow(line, readable, Fault(bad, shown, "is not UTF-8", "UTF-8", "save the file as UTF-8"))
    if len(cells) < width or any(cell.strip() for cell in cells[width:]):
        surplus = len(cells) - width
        step = _without_commas(raw, surplus) if surplus > 0 else "leave unknown cells empty, not out"
        problem = f"has {len(cells)} cells under a header of {width}"
        return TableRow(line, found, Fault("row", start, problem, f"{width} cells", step))
    return TableRow(line, found)


def _without_commas(raw: list[str], surplus: int) -> str:
    """Say how to get rid of the surplus cells; a number that was cut at its commas is named."""
    step = "quote cells that hold a comma"
    numbers = [n for part in raw for n in _GROUPED.findall(part) if n.count(",") <= surplus]
    if not numbers:
        return step
    return f"write {numbers[0]} without a comma, as {numbers[0].replace(',', '')}; {step}"


def _shown(text: str) -> str:
    """Return the text with bytes that are not UTF-8 replaced by a mark."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "replace")


def _header(lines: _Lines) -> list[str]:
    while (record := _record(lines)) is not None:
        line, raw, cells = record
        if raw[0].startswith(_ZIP):
            raise TableError("it is a spreadsheet's own file or another archive; save it as CSV, in UTF-8")
        if any(_shown(part) != part or "\0" in part for part in raw):
            raise TableError(f"line {line}: the header is not UTF-8 text; save the file as UTF-8")
        if cells is None:
            raise TableError(f"line {line}: the header has a quote that does not close")
        if any(cell.strip() for cell in cells):
            return cells
    raise TableError("the file is empty; it needs a header row that names its columns")


def _check_header(header: list[str], names: list[str], known: Sequence[str], required: Sequence[str]) -> None:
    if len(header) > MOST_COLUMNS:
        raise TableError(f"the header has {len(header):,} columns; {MOST_COLUMNS:,} are the most")
    missing = [name for name in required if name not in names]
    if missing:
        raise TableError(_missing(missing, header, names, known))
    twice = sorted(name for name, count in Counter(names).items() if count > 1 and name in known)
    if twice:
        raise TableError(f"the header names {', '.join(twice)} more than once; keep one")


def _missing(missing: list[str], header: list[str], names: list[str], known: Sequence[str]) -> str:
    message = f"the header lacks {', '.join(missing)}"
    for separator, word in _OTHER_SEPARATORS.items():
        if len(header) == 1 and separator in header[0]:
            return f"{message}: its columns are separated by {word}; save the file separated by commas"
    strangers = [name for name in names if name and name not in known][:_MOST_COMPARED]
    close = {name: nearest(name, strangers, 1) for name in missing}
    hints = [f"is {found[0]!r} meant to be {name}?" for name, found in close.items() if found]
    return "; ".join([message, *hints])
