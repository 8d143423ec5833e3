"""The values of a stock list as sentences: each value with its ranges, reasons and cautions."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import IO

from models.errors import BookmatchError
from models.insights.questions import widening
from models.insights.sentences import explanation, money, words_of
from models.price.interface import EVIDENCE_WORDS
from models.tables.stocklist import KNOWN_COLUMNS, REQUIRED_COLUMNS, Asked, RowCounts, Terms, read_row
from models.tables.table import TableRow, ignored_columns, read_table
from models.valuation.valuer import Valuation, Valuer


def tell_stocklist(
    stream: Iterable[bytes],
    out: IO[str],
    valuer: Valuer,
    terms: Terms,
    note: Callable[[str], None] = lambda text: None,
) -> RowCounts:
    """Value every row of `stream` (CSV by line) and write a paragraph of text for each row to `out`.

    The figures are those of `models.tables.stocklist`. `note` is called once with the ignored columns, if
    any. Raises TableError for a file that cannot be read at all.
    """
    table = read_table(stream, KNOWN_COLUMNS, REQUIRED_COLUMNS)
    if table.ignored:
        note(ignored_columns(table.ignored, KNOWN_COLUMNS))
    outcome = RowCounts()
    for number, row in enumerate(table.rows):
        lines, valued = _told_row(row, valuer, terms)
        outcome.valued += valued
        outcome.failed += not valued
        out.write("\n" * bool(number) + "\n".join(lines) + "\n")
    return outcome


def _told_row(row: TableRow, valuer: Valuer, terms: Terms) -> tuple[list[str], bool]:
    name = row.cells.get("id", "").strip() or f"line {row.line}"
    asked = read_row(row, valuer, terms)
    if not isinstance(asked, Asked):
        return [f"{name}: cannot be valued: line {row.line}: {asked}"], False
    try:
        found = valuer.value(asked.subject, asked.currency, terms.levels)
    except BookmatchError as error:
        return [f"{name}: cannot be valued: line {row.line}: {error}"], False
    return list(told(name, found, widening(valuer, asked.subject))), True


def told(name: str, found: Valuation, wider: Mapping[str, float]) -> Iterator[str]:
    """Yield the lines of text for one valuation. `wider`: from `models.insights.questions.widening`."""
    it = found.instrument
    yield f"{name}: {it.maker} {it.model}, on {words_of('day', found.day.isoformat())}, {found.channel}"
    yield f"  Value: {money(found.value, found.currency)}"
    for level, low, high in found.intervals:
        span = f"{money(low, found.currency)} to {money(high, found.currency)}"
        yield f"  {100 * level:.10g}% range: {span}"
    yield f"  Evidence: {found.evidence.word}: {EVIDENCE_WORDS[found.evidence.word]}"
    typical = money(found.reference_value, found.currency)
    reasons = [text for _, text in explanation(found, wider)]
    yield from _part(f"Reasons, from a typical instrument at {typical}", reasons)
    yield from _part("Cautions", list(dict.fromkeys(caution.text for caution in found.cautions)))


def _part(head: str, lines: Sequence[str]) -> Iterator[str]:
    if lines:
        yield f"  {head}:"
        yield from (f"    - {line}" for line in lines)
