"""The picture of a value's reasons: bars that lead from a typical instrument's value, factor by factor."""

from dataclasses import dataclass
from decimal import Decimal

from models.insights.pictures.canvas import BASE, EDGE, INK, SOFT, UNSURE, UP, WIDTH, Canvas, cut, ticks
from models.insights.pictures.canvas import DOWN as LOSS
from models.insights.sentences import head_of, money, words_of
from models.valuation.factors import Factor
from models.valuation.valuer import Valuation

_ROW, _TOP, _LEFT, _RIGHT = 24.0, 62.0, 322.0, 96.0
_MOST = 12  # Most factors that get a row each; the others share one.


@dataclass(frozen=True)
class _Row:
    label: str
    amount: Decimal
    unknown: bool


def walk_picture(valuation: Valuation, id: str = "walk") -> str:
    """Draw, as SVG, the steps from the typical instrument's value; the smallest factors share one row."""
    rows = _rows(valuation)
    height = _TOP + _ROW * (len(rows) + 2) + 40
    it = valuation.instrument
    title = f"From a typical {it.maker} {it.model} to this one"
    canvas = Canvas(id, height, title, _description(valuation, rows))
    canvas.heading()
    _key(canvas)
    start, end = valuation.reference_value, valuation.value
    levels = [start]
    for row in rows:
        levels.append(levels[-1] + row.amount)
    high = max(float(x) for x in levels) * 1.02
    scale = (WIDTH - _LEFT - _RIGHT) / high
    _axis(canvas, high, scale, height, valuation.currency)
    _total(canvas, 0, "A typical instrument", start, scale, valuation.currency)
    for at, row in enumerate(rows, 1):
        _step(canvas, at, row, levels[at - 1], levels[at], scale, valuation.currency)
    _total(canvas, len(rows) + 1, "This instrument", end, scale, valuation.currency)
    return canvas.svg()


def _rows(valuation: Valuation) -> list[_Row]:
    """Return a row for each of the largest factors, by family, then one row for all others together."""
    factors = [f for family in valuation.families for f in family.factors if f.amount]
    largest = sorted(factors, key=lambda f: (-abs(f.amount), f.field))[:_MOST]
    if len(factors) == _MOST + 1:
        largest = factors
    rows = [_Row(_label(f), f.amount, _unknown(f)) for f in factors if f in largest]
    rest = [f for f in factors if f not in largest]
    if rest:
        total = sum((f.amount for f in rest), Decimal(0))
        rows.append(_Row(f"{len(rest)} others, together", total, all(_unknown(f) for f in rest)))
    return rows


def _unknown(factor: Factor) -> bool:
    return factor.observed is None and factor.field != "edition"


def _label(factor: Factor) -> str:
    return f"{head_of(factor.field)}: {words_of(factor.field, factor.observed)}"


def _key(canvas: Canvas) -> None:
    x = 16.0
    for fill, stroke, words in (
        (UP, UP, "raises"),
        (canvas.fill("down"), LOSS, "lowers"),
        (canvas.fill("unsure"), UNSURE, "not known"),
    ):
        canvas.rect(x, 37, 16, 11, fill, stroke)
        canvas.text(x + 22, 47, words, size=12, fill=SOFT)
        x += 42 + 7 * len(words)


def _axis(canvas: Canvas, high: float, scale: float, height: float, currency: str) -> None:
    for tick in ticks(0, high, 5):
        x = _LEFT + tick * scale
        canvas.line(x, _TOP - 4, x, height - 30, "#dfe3e6")
        canvas.text(
            x, height - 12, money(Decimal(round(tick)), currency), anchor="middle", size=11, fill=SOFT
        )


def _total(canvas: Canvas, at: int, label: str, value: Decimal, scale: float, currency: str) -> None:
    y = _TOP + _ROW * at
    canvas.text(_LEFT - 10, y + 15, label, anchor="end", bold=True)
    canvas.rect(_LEFT, y + 3, float(value) * scale, _ROW - 7, BASE)
    canvas.text(WIDTH - EDGE, y + 15, money(value, currency), anchor="end", bold=True)


def _step(
    canvas: Canvas, at: int, row: _Row, before: Decimal, after: Decimal, scale: float, currency: str
) -> None:
    y = _TOP + _ROW * at
    x = _LEFT + float(min(before, after)) * scale
    width = max(abs(float(row.amount)) * scale, 1.5)
    fill, stroke = (UP, UP) if row.amount > 0 else (canvas.fill("down"), LOSS)
    if row.unknown:
        fill, stroke = canvas.fill("unsure"), UNSURE
    canvas.line(_LEFT + float(before) * scale, y - 4, _LEFT + float(before) * scale, y + 4, SOFT)
    canvas.text(_LEFT - 10, y + 15, cut(row.label, _LEFT - 10 - EDGE), anchor="end")
    canvas.rect(x, y + 4, width, _ROW - 9, fill, stroke)
    canvas.text(WIDTH - EDGE, y + 15, money(row.amount, currency, signed=True), anchor="end", fill=INK)


def _description(valuation: Valuation, rows: list[_Row]) -> str:
    start, end = (money(v, valuation.currency) for v in (valuation.reference_value, valuation.value))
    steps = "; ".join(f"{r.label}, {money(r.amount, valuation.currency, signed=True)}" for r in rows)
    return f"A typical instrument is worth {start}. {steps or 'Nothing differs'}. This instrument: {end}."
