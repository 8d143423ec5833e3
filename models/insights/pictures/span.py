"""The picture of a value's ranges on a scale of money, with comparable sales and a price asked, if given."""

from collections.abc import Sequence
from decimal import Decimal

from models.insights.comparables.kinds import Comparable, Comparables
from models.insights.pictures.canvas import BASE, DOWN, INK, PAPER, SOFT, UP, WIDTH, Canvas, cut, ticks
from models.insights.sentences import money, words_of
from models.valuation.valuer import Valuation

_LEFT, _RIGHT, _ROW, _BAND = 236.0, 60.0, 24.0, 112.0


def span_picture(
    valuation: Valuation,
    found: Comparables | None = None,
    asking: Decimal | None = None,
    id: str = "span",
) -> str:
    """Draw the ranges of a value as SVG, with comparable sales and a price asked, in its currency."""
    sales = found.sales if found else ()
    listed = found.beside if found else ()
    rows = len(sales) + len(listed)
    height = _BAND + 92 + _ROW * rows
    it = valuation.instrument
    title = f"What this {it.maker} {it.model} may bring"
    canvas = Canvas(id, height, title, _description(valuation, found, asking))
    canvas.heading()
    scale = _Scale(valuation, (*sales, *listed), asking)
    foot = height - 30
    for tick in ticks(scale.low, scale.high, 6):
        x = scale.x(tick)
        canvas.line(x, _BAND - 30, x, foot, "#e4e8ea")
        canvas.text(
            x, foot + 17, money(Decimal(round(tick)), valuation.currency), anchor="middle", size=11, fill=SOFT
        )
    _bands(canvas, valuation, scale, foot)
    if asking is not None:
        _asked(canvas, asking, scale, valuation.currency, foot)
    _rows(canvas, sales, listed, scale)
    return canvas.svg()


class _Scale:
    """A linear scale from money to x coordinates that covers all amounts in the picture."""

    def __init__(self, valuation: Valuation, shown: Sequence[Comparable], asking: Decimal | None) -> None:
        money_shown = [float(valuation.value), *(float(i.low) for i in valuation.intervals)]
        money_shown += [float(i.high) for i in valuation.intervals]
        for c in shown:
            money_shown += [float(c.grid.price), float(c.grid.adjusted)]
        if asking is not None:
            money_shown.append(float(asking))
        low, high = min(money_shown), max(money_shown)
        pad = (high - low) * 0.04 or high * 0.1
        self.low, self.high = max(low - pad, 0.0), high + pad

    def x(self, amount: float | Decimal) -> float:
        share = (float(amount) - self.low) / (self.high - self.low)
        return _LEFT + share * (WIDTH - _LEFT - _RIGHT)


def _bands(canvas: Canvas, valuation: Valuation, scale: _Scale, foot: float) -> None:
    """Draw each range as a box, the widest range as the flattest one, and the value as a line through all."""
    ordered = sorted(valuation.intervals, key=lambda i: -i.level)
    for at, interval in enumerate(ordered):
        half = 6 + 16 * (at + 1) / len(ordered)
        x, right = scale.x(interval.low), scale.x(interval.high)
        inner = at == len(ordered) - 1
        canvas.rect(x, _BAND - half, right - x, 2 * half, canvas.fill("band") if inner else PAPER, UP)
    canvas.text(_LEFT - 12, _BAND + 4, "the model's ranges", anchor="end", size=12, fill=SOFT)
    levels = ", ".join(f"{i.level:.0%}" for i in sorted(valuation.intervals, key=lambda i: i.level))
    if levels:
        canvas.text(_LEFT - 12, _BAND + 20, f"{levels}, inside out", anchor="end", size=11, fill=SOFT)
    x = scale.x(valuation.value)
    canvas.line(x, _BAND - 30, x, foot, BASE, 2.5)
    canvas.text(
        x, _BAND - 36, f"value {money(valuation.value, valuation.currency)}", anchor="middle", bold=True
    )


def _asked(canvas: Canvas, asking: Decimal, scale: _Scale, currency: str, foot: float) -> None:
    x = scale.x(asking)
    canvas.line(x, _BAND - 26, x, foot, DOWN, 2, "6 4")
    canvas.path([(x - 7, _BAND + 36), (x + 7, _BAND + 36), (x, _BAND + 26)], DOWN, DOWN, closed=True)
    side = "end" if x > WIDTH - 160 else "start"
    canvas.text(
        x + (-9 if side == "end" else 9),
        _BAND + 42,
        f"asked {money(asking, currency)}",
        anchor=side,
        fill=DOWN,
        bold=True,
    )


def _rows(canvas: Canvas, sales: Sequence[Comparable], listed: Sequence[Comparable], scale: _Scale) -> None:
    y = _BAND + 66.0
    if sales or listed:
        canvas.circle(22, 42, 4, PAPER)
        canvas.text(32, 46, "as paid or asked", size=12, fill=SOFT)
        canvas.diamond(146, 42, 5, BASE)
        canvas.text(157, 46, "brought to this instrument and day", size=12, fill=SOFT)
    for c in (*sales, *listed):
        is_sale = c.kind == "sale"
        label = f"{'sold' if is_sale else 'asked' if c.kind == 'asking' else 'offered'} "
        label += words_of("day", c.day.isoformat()) + f", {c.channel}"
        shown, fill = cut(label, _LEFT - 24, 12), INK if is_sale else SOFT
        canvas.text(_LEFT - 12, y + 4, shown, anchor="end", size=12, fill=fill)
        start, end = scale.x(c.grid.price), scale.x(c.grid.adjusted)
        canvas.line(start, y, end, y, SOFT, 1.5, "" if is_sale else "3 3")
        canvas.circle(start, y, 4, PAPER, INK if is_sale else SOFT)
        canvas.diamond(end, y, 5, BASE if is_sale else PAPER, BASE if is_sale else SOFT)
        y += _ROW


def _description(valuation: Valuation, found: Comparables | None, asking: Decimal | None) -> str:
    def shown(amount: Decimal) -> str:
        return money(amount, valuation.currency)

    said = [f"The value is {shown(valuation.value)}."]
    for i in sorted(valuation.intervals, key=lambda i: i.level):
        said.append(f"In {i.level:.0%} of cases from {shown(i.low)} to {shown(i.high)}.")
    if asking is not None:
        said.append(f"Asked: {shown(asking)}.")
    for c in (*found.sales, *found.beside) if found else ():
        day = words_of("day", c.day.isoformat())
        said.append(
            f"{c.kind.capitalize()} of {day}, {c.channel}: {shown(c.grid.price)}, adjusted to this one "
            f"{shown(c.grid.adjusted)}."
        )
    if found and found.reconciled is not None:
        said.append(f"The sales together say {shown(found.reconciled)}.")
    return " ".join(said)
