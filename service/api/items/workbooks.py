"""Workbooks of items: their rows in and out, by a process of its own (`service.inventory.sheets`)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import zip_longest
from typing import IO, Any

import orjson

from models.costs import SHEET_MEMORY, SHEET_SECONDS
from models.domain.vocabulary import BY_FLAT, Kind
from models.errors import Fault, TableError
from service.api.items.columns import KNOWN, REQUIRED, SHOWN, Cell
from service.children.runner import ChildFailedError, ChildRefusedError, run
from service.inventory.sheets import FORMULA, READ, WRITE

_CHILD = "service.inventory.sheets"
_DAYS = ("bought", "valued_on")
_WORDS = ("value_currency", "valued_on", "price_model", "evidence", "claims", "cautions", "failure")
_NUMBERS = (Kind.INTEGER, Kind.NUMBER, Kind.GRADE)


def sheet_rows(body: IO[bytes]) -> Iterator[tuple[int, dict[str, Cell], Fault | None]]:
    """Yield the rows of a workbook: the number of each, its cells by column, and what is wrong with one.

    Raises TableError for a file that is no such workbook, or too large a one.
    """
    body.fileno()  # asking for it moves a small file from memory to the disk, where the child can read it
    try:
        told = run(_CHILD, body, seconds=SHEET_SECONDS, memory=SHEET_MEMORY, arguments=[READ])
    except ChildRefusedError as error:
        raise TableError(str(error)) from None
    except ChildFailedError:
        raise TableError("the workbook takes too long or too much memory to read; send it in parts") from None
    lines = map(orjson.loads, told.splitlines())
    names = _header(next(lines, (1, []))[1])
    return (_row(number, names, cells) for number, cells in lines)


def workbook_of(rows: IO[bytes]) -> bytes:
    """Return the workbook of a file of lines: the header with its kinds, then the cells of each row."""
    rows.fileno()
    rows.seek(0)
    return run(_CHILD, rows, seconds=SHEET_SECONDS, memory=SHEET_MEMORY, arguments=[WRITE])


def kinds_of(header: Sequence[str]) -> list[str]:
    """Return the kind of cell of each column: a day, money, a number, or whatever its value is."""
    return [_kind(name) for name in header]


def _kind(name: str) -> str:
    if name in _DAYS:
        return "day"
    if name in ("cost", "asking") or (name in SHOWN and name not in _WORDS):
        return "money"
    return "number" if name in BY_FLAT and BY_FLAT[name].kind in _NUMBERS else "own"


def _header(cells: Sequence[Any]) -> list[str]:
    names = [str(cell).strip() if cell is not None else "" for cell in cells]
    names = [name.casefold() if name.casefold() in KNOWN else name for name in names]
    missing = [name for name in REQUIRED if name not in names]
    if missing:
        raise TableError(f"the first row of the first sheet lacks the columns {', '.join(missing)}")
    twice = sorted(name for name, count in Counter(names).items() if name and count > 1)
    if twice:
        raise TableError(f"the header names {', '.join(twice)[:100]} more than once; keep one")
    return names


def _row(
    number: int, names: Sequence[str], cells: Sequence[Any]
) -> tuple[int, dict[str, Cell], Fault | None]:
    found, fault = dict[str, Cell](), None
    wide = [*names, *[""] * (len(cells) - len(names))]
    for name, cell in zip_longest(wide, cells):
        if name in SHOWN:
            continue
        if not name:
            stands = cell not in (None, "")
            problem, step = "has a cell in a column without a name", "name or empty that column"
            fault = fault or (Fault("row", None, problem, "", step) if stands else None)
        elif isinstance(cell, dict):
            kind, text = next(iter(cell.items()))
            problem = "is a formula" if kind == FORMULA else "is an error of the spreadsheet"
            fault = fault or Fault(name, text, problem, "a value", "put the value in its place")
        else:
            found[name] = "" if cell is None else cell
    return number, found, fault
