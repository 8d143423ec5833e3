"""The figures of many markets, fitted with rules of common practice and without them, as text."""

from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

from models.domain.vocabulary import DEFAULT_LEVELS
from training.study.table import aligned
from training.yardstick.dozen.judged import FAMILIES, JUDGED
from training.yardstick.dozen.measure import KINDS, SIDES, WITH, WITHOUT, FitFigures
from training.yardstick.fresh.table import said

Row = tuple[str, ...]


class FigureColumn(NamedTuple):
    """A column of the table: a figure, its heading and number format.

    `relative`: the change by rules of common practice is printed in per cent, else as a difference.
    """

    figure: str
    head: str
    form: str
    relative: bool = False


_ERRORS = (
    FigureColumn("rmse", "RMSE price", ".4f", True),
    FigureColumn("rmse_true", "RMSE truth", ".4f", True),
    FigureColumn("rmse_whole", "RMSE whole", ".4f", True),
    FigureColumn("error", "median error", ".2f", True),
    FigureColumn("score", "score of 90%", ".4f", True),
    FigureColumn("ratio", "ratio", ".3f"),
)
_HELD = tuple(FigureColumn(f"held_{100 * level:.0f}", f"{level:.0%}", ".1f") for level in DEFAULT_LEVELS)
_BLOCKS: tuple[tuple[str, tuple[FigureColumn, ...]], ...] = (
    (
        "RMSE of the log value about the errors' median: against prices, and against true values; against\n"
        "prices with where the market went (whole); median absolute error in per cent; interval score;\n"
        "median of value over price. The change of the ratio is a difference, that of others is in per cent",
        _ERRORS,
    ),
    ("Per cent of prices in the ranges; the change in points", _HELD),
    (
        "Correlation of attributed effects with the true ones, every field told",
        tuple(FigureColumn(f"told {one}", str(one), ".3f") for one in FAMILIES),
    ),
    (
        "The same, where the price model is told what the record of the sale kept",
        tuple(FigureColumn(f"kept {one}", str(one), ".3f") for one in FAMILIES),
    ),
    (
        "Root mean square distance of attributed effects from the true ones, in log, every field told",
        tuple(FigureColumn(f"off {one}", str(one), ".4f", True) for one in FAMILIES),
    ),
)


def changes(without: Sequence[FitFigures], with_: Sequence[FitFigures], column: FigureColumn) -> list[float]:
    """Return the change of a figure by rules of common practice, for each market fitted both ways."""
    before = {m.seed: m.figures[column.figure] for m in without}
    pairs = [(before[m.seed], m.figures[column.figure]) for m in with_ if m.seed in before]
    return [100 * (b / a - 1) if column.relative else b - a for a, b in pairs]


def as_text(markets: Sequence[FitFigures]) -> str:
    """Return the whole table, with kinds in the order of `KINDS` and the sides of a kind below each other."""
    kinds = {kind: [m for m in markets if m.kind == kind] for kind in KINDS}
    kinds = {kind: own for kind, own in kinds.items() if own}
    text = [f"Judged by {JUDGED} later sales of each market; mean ± standard error over markets"]
    for title, columns in _BLOCKS:
        rows = [row for kind, own in kinds.items() for row in _rows(kind, own, columns)]
        text.append("\n".join([title, *aligned([("", "markets", *(c.head for c in columns)), *rows])]))
    rules = [(kind, _contradicted(own)) for kind, own in kinds.items()]
    text.append("\n".join(["Rules that the fit says are contradicted, in how many markets", *_left(rules)]))
    times = [(kind, _seconds(own)) for kind, own in kinds.items()]
    text.append("\n".join(["Seconds of a processor for a fit", *_left(times)]))
    return "\n\n".join(text)


def line(m: FitFigures) -> str:
    """Summarize one fit in a line, to be printed as soon as it is done."""
    head = f"{m.kind} {m.seed} {m.side}: "
    if m.refused:
        return head + f"refused: {m.refused}"
    f = m.figures
    return head + (
        f"RMSE {f['rmse']:.3f}, of truth {f['rmse_true']:.3f}; 80% holds {f['held_80']:.0f}%; "
        f"rarity {f['told rarity']:.2f}; {m.seconds:.0f} s"
    )


def _rows(kind: str, markets: Sequence[FitFigures], columns: Sequence[FigureColumn]) -> list[Row]:
    fitted = {side: [m for m in markets if m.side == side and not m.refused] for side in SIDES}
    out = []
    for side, own in fitted.items():
        if own:
            cells = (said([m.figures[c.figure] for m in own], c.form) for c in columns)
            out.append((f"{kind} {side}", str(len(own)), *cells))
        elif any(m.side == side for m in markets):
            out.append((f"{kind} {side}", "refused", *("" for _ in columns)))
    pairs = [changes(fitted[WITHOUT], fitted[WITH], c) for c in columns]
    if pairs[0]:
        cells = (said(p, "+.2f" if c.relative else "+" + c.form) for p, c in zip(pairs, columns, strict=True))
        out.append((f"{kind} change", str(len(pairs[0])), *cells))
    return out


def _contradicted(markets: Sequence[FitFigures]) -> str:
    told = [m.contradicted for m in markets if m.side == WITH and m.contradicted is not None]
    if not told:
        return "not known: no fit says so"
    counts = Counter(name for names in told for name in names)
    each = (f"{name} in {count} of {len(told)}" for name, count in counts.most_common())
    return "; ".join(each) or f"none in {len(told)}"


def _seconds(markets: Sequence[FitFigures]) -> str:
    fitted = [m.seconds for m in markets if not m.refused]
    return said(fitted, ".1f") if fitted else "refused"


def _left(rows: Sequence[tuple[str, str]]) -> list[str]:
    width = max(len(kind) for kind, _ in rows)
    return [f"{kind.ljust(width)}  {text}" for kind, text in rows]
