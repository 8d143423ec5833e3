"""The columns of a sheet of items: those that are read, those that are only shown, and the caller's own."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import orjson
from sqlalchemy import Row

from models.domain.vocabulary import BY_FLAT, DEFAULT_LEVELS
from models.tables.formulas import plain_cell, unplain_cell
from models.tables.stocklist import FAMILIES, level_name
from service.inventory.records import Item, item_in

OWN = ("cost", "cost_currency", "asking", "asking_currency", "bought", "channel", "status")
READ = ("stock_number", *BY_FLAT, *OWN)
REQUIRED = ("stock_number", "maker", "model")
_RANGES = tuple(f"{end}_{level_name(level)}" for level in DEFAULT_LEVELS for end in ("low", "high"))
_REASONS = tuple(f"reason_{family}" for family in FAMILIES)
# Shown beside what is read; in a sheet that is sent back nothing of them is read.
SHOWN = (
    *("value", "value_currency"),
    *_RANGES,
    *("valued_on", "price_model", "evidence", "reference_value"),
    *_REASONS,
    *("claims", "cautions", "failure"),
)
KNOWN = (*READ, *SHOWN)
_KNOWN = frozenset(KNOWN)
_MARK = "extra: "  # before a name of the caller's own that is a column's here
Cell = str | int | float | bool | None


def column_of(name: str) -> str:
    """Return the column under which a member of `extra` stands."""
    return f"{_MARK}{name}" if name.casefold() in _KNOWN or name.startswith(_MARK) else name


def name_of(column: str) -> str:
    """Return the member of `extra` that stands under a column."""
    return column.removeprefix(_MARK)


def cells_of(row: Row[Any]) -> dict[str, Cell]:
    """Return the cells of an item, its own columns last; money and days are text."""
    item = item_in(row)
    cells: dict[str, Cell] = {"stock_number": item.stock_number, **item.instrument.to_flat()}
    for name, amount in (("cost", item.cost), ("asking", item.asking)):
        cells[name], cells[f"{name}_currency"] = amount or ("", "")
    cells |= {"bought": item.bought.isoformat() if item.bought else "", "channel": item.channel}
    cells |= {"status": item.status, **dict.fromkeys(SHOWN, ""), **_value_cells(row)}
    return {**cells, **{column_of(name): value for name, value in item.extra.items()}}


def _value_cells(row: Row[Any]) -> dict[str, Cell]:
    failure = orjson.loads(row.failure)["problem"] if row.failure else ""
    if row.value is None:
        return {"failure": failure}
    value, detail = orjson.loads(row.value), orjson.loads(row.detail)
    cells = {"value": value["amount"], "value_currency": value["currency"], "failure": failure}
    for interval in orjson.loads(row.intervals):
        for end in ("low", "high"):
            cells[f"{end}_{level_name(interval['level'])}"] = interval[end]
    cells |= {f"reason_{one['family']}": one["amount"] for one in detail["reasons"]}
    claims = "; ".join(f"{one['label']}: {one['amount']}" for one in detail["claims"])
    cautions = ";".join(dict.fromkeys(one["code"] for one in detail["cautions"]))
    return {
        **cells,
        "valued_on": row.valued_on.isoformat(),
        "price_model": row.price_model,
        "evidence": row.evidence,
        "reference_value": detail["reference_value"],
        "claims": claims,
        "cautions": cautions,
    }


def csv_cell(value: Cell) -> str:
    """Return a value as the text of a CSV cell that no spreadsheet program runs."""
    if value is None or isinstance(value, bool):
        return "" if value is None else str(value).lower()
    return plain_cell(value) if isinstance(value, str) else repr(value)


def from_csv(cells: Mapping[str, str]) -> dict[str, Cell]:
    """Return a row of CSV with its names and texts as they were before `csv_cell` wrote them."""
    return {unplain_cell(name): unplain_cell(cell) for name, cell in cells.items()}


def parted(cells: Mapping[str, Cell]) -> tuple[dict[str, str], dict[str, Cell]]:
    """Return the cells that say what an item is, as text, and those of the caller's own, by member."""
    read = {name: as_text(cell) for name, cell in cells.items() if name in READ}
    return read, {name_of(name): cell for name, cell in cells.items() if name not in _KNOWN}


def as_text(cell: Cell) -> str:
    """Return a cell as text; a number of a workbook with the fifteen digits that such programs keep."""
    if cell is None or isinstance(cell, bool):
        return "" if cell is None else str(cell).lower()
    return f"{cell:.15g}" if isinstance(cell, float) else str(cell)


def settled(item: Item, before: Row[Any] | None) -> Item:
    """Return the item of a sheet with its own members as they are kept, where the sheet shows them unchanged.

    A sheet cannot tell a number from its text, nor an empty text from none; where it is another value, the
    new one is the sheet's, and an empty cell is no member.
    """
    kept: Mapping[str, Cell] = {} if before is None or before.deleted else orjson.loads(before.extra)
    extra = {
        name: kept[name] if name in kept and _same(cell, kept[name]) else cell
        for name, cell in item.extra.items()
    }
    return replace(item, extra={name: cell for name, cell in extra.items() if cell != "" or name in kept})


def _same(cell: Cell, kept: Cell) -> bool:
    if isinstance(cell, int | float) and isinstance(kept, int | float):
        return isinstance(cell, bool) == isinstance(kept, bool) and math.isclose(cell, kept, rel_tol=1e-15)
    return cell == kept or (cell or "") == unplain_cell(csv_cell(kept))


def header_of(names: Sequence[str]) -> list[str]:
    """Return all columns of a sheet with these members of the caller's own."""
    return [*KNOWN, *(column_of(name) for name in names)]
