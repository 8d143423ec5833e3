"""Stock lists: instruments in, their values out, row by row in the order given, in bounded memory.

The effects written are logs by family, and `value = reference_value × exp(sum of effects)` holds to the cent
on the printed figures themselves: the family with the largest effect carries what rounding took from the two
amounts (at most half of the smallest amount over each).
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import islice
from typing import IO, NamedTuple, TypeVar

from models.domain.cells import read_currency, read_day, read_id, read_term
from models.domain.instrument import Described, Subject, read_flat
from models.domain.money import BASE_CURRENCY
from models.domain.vocabulary import BY_FLAT, CHANNEL_NAMES, DEFAULT_CHANNEL, DEFAULT_LEVELS, Family
from models.errors import BookmatchError, Fault, InputError
from models.tables.table import TableRow, read_table
from models.valuation.valuer import Valuation, Valuer

KNOWN_COLUMNS = ("id", "date", "channel", "currency", *BY_FLAT)
REQUIRED_COLUMNS = ("id", "maker", "model")
# The published order of VALUES.csv (README.md), then the families that it does not name.
FAMILIES = (
    Family.CONDITION,
    Family.RARITY,
    Family.ORIGINALITY,
    Family.PROVENANCE,
    Family.IDENTITY,
    Family.MARKET,
)
# A day past which nobody means what they write; until then the market is held.
LAST_DAY = date(2100, 12, 31)
ROWS_AT_ONCE = 500
_EFFECT_DIGITS = 10  # the sum is then right to half a cent up to 10⁸ dollars

T = TypeVar("T")
Cells = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Terms:
    """Day, market and currency of rows that name none; the levels of the ranges."""

    day: date
    channel: str = DEFAULT_CHANNEL
    currency: str = BASE_CURRENCY
    levels: Sequence[float] = DEFAULT_LEVELS


class Own(NamedTuple):
    """The terms that a row names for itself, as written; empty where it names none."""

    day: str
    channel: str
    currency: str


class Asked(NamedTuple):
    """A row that was read: it asks for the value of its subject in a currency."""

    subject: Subject
    currency: str


@dataclass
class RowCounts:
    """The number of rows that were valued and of those that were not."""

    valued: int = 0
    failed: int = 0


def value_columns(levels: Sequence[float]) -> tuple[str, ...]:
    """The columns of the values for these levels, in order."""
    ends = [f"{end}_{level_name(level)}" for level in levels for end in ("low", "high")]
    effects = [f"effect_{family}" for family in FAMILIES]
    return (
        "id",
        "value",
        *ends,
        "currency",
        "rate_day",
        "date",
        "channel",
        "reference_value",
        *effects,
        "evidence",
        "cautions",
        "error",
    )


def level_name(level: float) -> str:
    """A level as columns name it: 0.8 is 80, 0.975 is 97.5."""
    return f"{level * 100:.10g}"


def value_stocklist(
    stream: Iterable[bytes],
    out: IO[str],
    valuer: Valuer,
    terms: Terms,
    note: Callable[[str], None] = lambda text: None,
) -> RowCounts:
    """Value every row of `stream` (CSV by line) and write the values to `out` as CSV.

    `note` is told once of ignored columns.
    Raises TableError for a file that cannot be read at all; a row that cannot be valued says why in `error`.
    """
    table = read_table(stream, KNOWN_COLUMNS, REQUIRED_COLUMNS)
    if table.ignored:
        note(f"columns ignored: {', '.join(table.ignored)}")
    writer = csv.DictWriter(out, value_columns(terms.levels), restval="", lineterminator="\n")
    writer.writeheader()
    outcome = RowCounts()
    for rows in _chunks(table.rows):
        for cells in value_rows(rows, valuer, terms):
            writer.writerow(cells)
            outcome.failed += "error" in cells
            outcome.valued += "error" not in cells
    return outcome


def _chunks(rows: Iterator[TableRow]) -> Iterator[list[TableRow]]:
    while chunk := list(islice(rows, ROWS_AT_ONCE)):
        yield chunk


def value_rows(rows: Sequence[TableRow], valuer: Valuer, terms: Terms) -> Iterator[dict[str, str]]:
    """The cells of each row's values, in order; those of a row that failed are `id` and `error`."""
    read = [read_row(row, valuer, terms) for row in rows]
    for row, result in zip(rows, value_subjects(read, valuer, terms), strict=True):
        name = {"id": row.cells.get("id", "").strip()}
        if isinstance(result, BookmatchError):
            yield {**name, "error": " ".join(f"line {row.line}: {result}".split())}
        else:
            yield {**name, **result}


def read_row(row: TableRow, valuer: Valuer, terms: Terms) -> Asked | InputError:
    """Read a row, spelled as the catalogue has it; or find every fault of it."""
    if row.fault is not None:
        return InputError([row.fault])
    faults: list[Fault] = []
    name, *own = (row.cells.get(column, "").strip() for column in ("id", "date", "channel", "currency"))
    read_id(name, faults)
    return read_asked(lambda: read_flat(row.cells), Own(*own), faults, valuer, terms)


def read_asked(
    described: Callable[[], Described], own: Own, faults: list[Fault], valuer: Valuer, terms: Terms
) -> Asked | InputError:
    """Read what a row asks; or find every fault of it, those found before and those found here.

    `described` raises InputError.
    """
    day = read_day(own.day, faults, latest=LAST_DAY) if own.day else terms.day
    channel = read_term("channel", own.channel or terms.channel, CHANNEL_NAMES, faults)
    known = valuer.rates.currencies
    currency = read_currency(own.currency, known, faults) if own.currency else terms.currency
    if day is not None and currency:
        _done(lambda: valuer.rate(currency, day), faults)
    found = _done(lambda: valuer.catalogue.spelled(described()), faults)
    if faults or found is None or day is None:
        return InputError(faults)
    return Asked(Subject(found.instrument, day, channel, found.notes), currency)


def _done(step: Callable[[], T], faults: list[Fault]) -> T | None:
    """Run the step; if the input is wrong, return None and add the reasons to `faults`."""
    try:
        return step()
    except InputError as error:
        faults.extend(error.faults)
        return None


def value_subjects(
    read: Sequence[Asked | InputError], valuer: Valuer, terms: Terms
) -> Iterator[dict[str, str] | BookmatchError]:
    """In order the cells of each row's values, or why there are none; an error stays as it was read."""
    good = [found for found in read if isinstance(found, Asked)]
    valued = iter(_value_all(good, valuer, terms))
    for found in read:
        result = next(valued) if isinstance(found, Asked) else found
        yield value_cells(result) if isinstance(result, Valuation) else result


def _value_all(asked: Sequence[Asked], valuer: Valuer, terms: Terms) -> Sequence[Valuation | BookmatchError]:
    if not asked:
        return ()
    try:
        return valuer.value_all([a.subject for a in asked], [a.currency for a in asked], terms.levels)
    except BookmatchError as error:
        if len(asked) == 1:
            return (error,)
    # One row must not take the others with it; halves find it in few steps.
    half = len(asked) // 2
    return [*_value_all(asked[:half], valuer, terms), *_value_all(asked[half:], valuer, terms)]


def value_cells(found: Valuation) -> dict[str, str]:
    """The cells of one valuation, without its id."""
    cells = {"value": str(found.value), "reference_value": str(found.reference_value)}
    for interval in found.intervals:
        cells[f"low_{level_name(interval.level)}"] = str(interval.low)
        cells[f"high_{level_name(interval.level)}"] = str(interval.high)
    cells |= {"currency": found.currency, "rate_day": found.rate_day.isoformat()}
    cells |= {"date": found.day.isoformat(), "channel": found.channel}
    cells |= {f"effect_{family}": text for family, text in _effects(found).items()}
    cells["evidence"] = found.evidence.word
    cells["cautions"] = ";".join(dict.fromkeys(caution.code for caution in found.cautions))
    return cells


def _effects(found: Valuation) -> dict[Family, str]:
    effects = {f.family: round(f.effect, _EFFECT_DIGITS) for f in found.families}
    largest = max(effects, key=lambda family: abs(effects[family]))
    others = math.fsum(effect for family, effect in effects.items() if family is not largest)
    effects[largest] = math.log(found.value / found.reference_value) - others
    return {family: f"{effect + 0.0:.{_EFFECT_DIGITS}f}" for family, effect in effects.items()}
