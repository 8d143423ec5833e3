"""Stock lists: a CSV file of instruments is read, and their values are written as CSV, row by row.

Rows keep their order, and memory is bounded. The effect columns are log effects by family. For the printed
figures `value = reference_value × exp(sum of effects)` holds to the cent: the largest effect is adjusted by
the rounding of the two amounts.
"""

import csv
import io
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import islice
from typing import IO, Any, NamedTuple, Protocol, TypeVar

from models.domain.cells import LAST_DAY, read_currency, read_day, read_id, read_term
from models.domain.instrument import Described, Subject, read_flat
from models.domain.money import BASE_CURRENCY
from models.domain.vocabulary import (
    BY_FLAT,
    CHANNEL_NAMES,
    DEFAULT_CHANNEL,
    DEFAULT_LEVELS,
    MAX_TEXT,
    Family,
)
from models.errors import BookmatchError, Fault, InputError
from models.tables.formulas import plain_cell
from models.tables.table import TableRow, ignored_columns, read_table
from models.valuation.valuer import Valuation, Valuer

KNOWN_COLUMNS = ("id", "date", "channel", "currency", *BY_FLAT)
REQUIRED_COLUMNS = ("id", "maker", "model")
# The published order of the effect columns in a file of values.
FAMILIES = (
    Family.CONDITION,
    Family.RARITY,
    Family.ORIGINALITY,
    Family.PROVENANCE,
    Family.IDENTITY,
    Family.MARKET,
)
ROWS_AT_ONCE = 500
_EFFECT_DIGITS = 10  # With ten decimals, the effects give the value to half a cent up to 10⁸ dollars.

T = TypeVar("T")
R = TypeVar("R")


@dataclass(frozen=True, slots=True)
class Terms:
    """Defaults for rows that name no day, channel or currency; and the levels of all ranges."""

    day: date
    channel: str = DEFAULT_CHANNEL
    currency: str = BASE_CURRENCY
    levels: Sequence[float] = DEFAULT_LEVELS


class Own(NamedTuple):
    """The texts of a row's own day, channel and currency cells; empty where the row leaves the default."""

    day: str
    channel: str
    currency: str


class Asked(NamedTuple):
    """A row that was read without fault: the subject to value, and the currency of the value."""

    subject: Subject
    currency: str


@dataclass
class RowCounts:
    """The number of rows that were valued, and the number of rows that failed."""

    valued: int = 0
    failed: int = 0


class Spreader(Protocol):
    """Calls `work(item, *shared)` for each item, here or elsewhere, and gives the results in that order."""

    def __call__(self, work: Callable[..., R], items: Iterable[T], *shared: Any) -> Iterator[R]: ...


def one_by_one(work: Callable[..., R], items: Iterable[T], *shared: Any) -> Iterator[R]:
    """Call the work for each item when its result is asked for."""
    return (work(item, *shared) for item in items)


def value_columns(levels: Sequence[float]) -> tuple[str, ...]:
    """List the columns of a file of values with ranges of these levels."""
    ends = [f"{end}_{level_name(level)}" for level in levels for end in ("low", "high")]
    effects = [f"effect_{family}" for family in FAMILIES]
    market = ("currency", "rate_day", "date", "channel", "reference_value")
    return ("id", "value", *ends, *market, *effects, "evidence", "cautions", "error")


def level_name(level: float) -> str:
    """Return a level as it appears in column names: 80 for 0.8, 97.5 for 0.975."""
    return f"{level * 100:.10g}"


def value_stocklist(
    stream: Iterable[bytes],
    out: IO[str],
    valuer: Valuer,
    terms: Terms,
    note: Callable[[str], None] = lambda text: None,
    spread: Spreader = one_by_one,
) -> RowCounts:
    """Value every row of `stream` (CSV by line) and write the values to `out` as CSV.

    `note` is called once with the ignored columns, if any. A row that cannot be valued gets its reason in the
    column `error`. `spread`: where chunks of rows are valued. Raises TableError for a file that cannot be
    read at all.
    """
    table = read_table(stream, KNOWN_COLUMNS, REQUIRED_COLUMNS)
    if table.ignored:
        note(ignored_columns(table.ignored, KNOWN_COLUMNS))
    _writer(out, terms).writeheader()
    outcome = RowCounts()
    for text, failed, rows in spread(_valued_chunk, _chunks(table.rows), valuer, terms):
        out.write(text)
        outcome.failed += failed
        outcome.valued += rows - failed
    return outcome


def _writer(out: IO[str], terms: Terms) -> "csv.DictWriter[str]":
    return csv.DictWriter(out, value_columns(terms.levels), restval="", lineterminator="\n")


def _valued_chunk(rows: Sequence[TableRow], valuer: Valuer, terms: Terms) -> tuple[str, int, int]:
    """Return the values of a chunk as CSV, how many of its rows failed, and how many it has."""
    out = io.StringIO()
    valued = list(value_rows(rows, valuer, terms))
    _writer(out, terms).writerows(valued)
    return out.getvalue(), sum("error" in cells for cells in valued), len(valued)


def _chunks(rows: Iterator[TableRow]) -> Iterator[list[TableRow]]:
    while chunk := list(islice(rows, ROWS_AT_ONCE)):
        yield chunk


def value_rows(rows: Sequence[TableRow], valuer: Valuer, terms: Terms) -> Iterator[dict[str, str]]:
    """Yield the cells of each row's values, in order; a row that failed has only `id` and `error`.

    An id that a spreadsheet would take for a formula gets an apostrophe before it.
    """
    read = [read_row(row, valuer, terms) for row in rows]
    for row, result in zip(rows, value_subjects(read, valuer, terms), strict=True):
        yield row_cells(row, result)


def row_cells(row: TableRow, result: Mapping[str, str] | BookmatchError) -> dict[str, str]:
    """Return the cells of a row's values; of a row that failed, its id and the error."""
    name = {"id": plain_cell(row.cells.get("id", "").strip()[:MAX_TEXT])}
    if isinstance(result, BookmatchError):
        return {**name, "error": " ".join(f"line {row.line}: {result}".split())}
    return {**name, **result}


def read_row(row: TableRow, valuer: Valuer, terms: Terms) -> Asked | InputError:
    """Read a row, with names spelled as in the catalogue; return an InputError if it has faults."""
    if row.fault is not None:
        return InputError([row.fault])
    faults: list[Fault] = []
    name, *own = (row.cells.get(column, "").strip() for column in ("id", "date", "channel", "currency"))
    read_id(name, faults)
    catalogue = valuer.catalogue
    return read_asked(lambda: catalogue.read(read_flat, row.cells), Own(*own), faults, valuer, terms)


def read_asked(
    described: Callable[[], Described], own: Own, faults: list[Fault], valuer: Valuer, terms: Terms
) -> Asked | InputError:
    """Read the subject and currency of a row; return an InputError with all faults if there are any.

    `described` reads the instrument, with names as in the catalogue, and may raise InputError. `faults`: the
    row's faults found so far; new ones are added.
    """
    day = read_day(own.day, faults, latest=LAST_DAY) if own.day else terms.day
    channel = read_term("channel", own.channel or terms.channel, CHANNEL_NAMES, faults)
    known = valuer.rates.currencies
    currency = read_currency(own.currency, known, faults) if own.currency else terms.currency
    if day is not None and currency:
        _done(lambda: valuer.rate(currency, day), faults)
    found = _done(described, faults)
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
    """Yield, in order, the cells of each subject's value, or the error for which it has none."""
    good = [found for found in read if isinstance(found, Asked)]
    valued = iter(value_asked(good, valuer, terms.levels))
    for found in read:
        result = next(valued) if isinstance(found, Asked) else found
        yield value_cells(result) if isinstance(result, Valuation) else result


def value_asked(
    asked: Sequence[Asked], valuer: Valuer, levels: Sequence[float] = DEFAULT_LEVELS
) -> Sequence[Valuation | BookmatchError]:
    """Return, in order, each subject's valuation, or the error for which it has none."""
    if not asked:
        return ()
    try:
        return valuer.value_all([a.subject for a in asked], [a.currency for a in asked], levels)
    except BookmatchError as error:
        if len(asked) == 1:
            return (error,)
    # One bad row must not spoil the others: halving the batch isolates it in few steps.
    half = len(asked) // 2
    return [*value_asked(asked[:half], valuer, levels), *value_asked(asked[half:], valuer, levels)]


def value_cells(found: Valuation) -> dict[str, str]:
    """Return the cells of one valuation, column → text, without its id."""
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
