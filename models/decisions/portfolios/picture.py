"""The picture of a portfolio: its total with its ranges, and the totals of its makers and largest models."""

from collections.abc import Sequence
from decimal import Decimal

from models.decisions.portfolios.portfolio import Portfolio, Total
from models.insights.pictures.canvas import BASE, PAPER, SOFT, UP, WIDTH, Canvas, cut, ticks
from models.insights.sentences import money, words_of

MOST_BARS = 12  # The makers and the models that are drawn; the largest ones.
_LEFT, _RIGHT, _TOP, _ROW, _GAP = 220.0, 150.0, 116.0, 24.0, 40.0


def portfolio_picture(found: Portfolio, id: str = "portfolio") -> str:
    """Draw a portfolio as SVG: how sure the total is, and a bar for each of the largest makers and models."""
    makers, models = found.makers[:MOST_BARS], found.models[:MOST_BARS]
    height = _TOP + 2 * _GAP + _ROW * (len(makers) + len(models)) + 16
    day = words_of("day", found.day.isoformat())
    canvas = Canvas(id, height, f"{found.total.items:,} instruments on {day}", _description(found))
    canvas.heading()
    _draw_total(canvas, found)
    widest = max((_ends(one)[1] for one in makers), default=1.0)
    y = _bars(canvas, "By maker", makers, found, widest, _TOP)
    _bars(canvas, "By model", models, found, widest, y)
    return canvas.svg()


def _draw_total(canvas: Canvas, found: Portfolio) -> None:
    """Draw the ranges of the total as boxes, the widest one the flattest, and the expected sum as a line."""
    total, middle = found.total, 68.0
    low, high = _ends(total)
    pad = (high - low) * 0.1 or 1.0
    low, high = low - pad, high + pad

    def x(amount: float) -> float:
        return _LEFT + (amount - low) / (high - low) * (WIDTH - _LEFT - 60)

    ordered = sorted(total.intervals, key=lambda one: -one.level)
    for at, one in enumerate(ordered):
        half = 5 + 12 * (at + 1) / len(ordered)
        inner = canvas.fill("band") if at == len(ordered) - 1 else PAPER
        canvas.rect(
            x(float(one.low)), middle - half, x(float(one.high)) - x(float(one.low)), 2 * half, inner, UP
        )
    at_expected = x(float(total.expected))
    canvas.line(at_expected, middle - 20, at_expected, middle + 20, BASE, 2.5)
    canvas.text(_LEFT - 12, middle, money(total.expected, found.currency), anchor="end", bold=True)
    levels = ", ".join(f"{one.level:.0%}" for one in reversed(ordered))
    canvas.text(_LEFT - 12, middle + 16, f"expected; ranges {levels}", anchor="end", size=11, fill=SOFT)
    for tick in ticks(low, high, 4):
        canvas.text(
            x(tick),
            middle + 36,
            money(Decimal(round(tick)), found.currency),
            anchor="middle",
            size=11,
            fill=SOFT,
        )


def _bars(
    canvas: Canvas, heading: str, totals: Sequence[Total], found: Portfolio, widest: float, y: float
) -> float:
    """Draw a bar for each total, with its widest range as a line through its end; return where they end."""
    canvas.text(16, y + 18, heading, bold=True)
    y += _GAP - 14
    scale = (WIDTH - _LEFT - _RIGHT) / widest
    for one in totals:
        low, high = _ends(one)
        label = one.name[-1] if len(one.name) == 1 else " ".join(one.name)
        canvas.text(_LEFT - 10, y + 15, cut(label, _LEFT - 22, 12), anchor="end", size=12)
        canvas.rect(_LEFT, y + 4, float(one.expected) * scale, _ROW - 9, canvas.fill("band"), UP)
        canvas.line(_LEFT + low * scale, y + 11, _LEFT + high * scale, y + 11, BASE, 2)
        shown = f"{money(one.expected, found.currency)} · {one.items}"
        canvas.text(WIDTH - 12, y + 15, shown, anchor="end", size=12)
        y += _ROW
    return y + 14


def _ends(one: Total) -> tuple[float, float]:
    """Return the ends of the widest range, or the expected sum twice where no range was asked for."""
    if not one.intervals:
        return float(one.expected), float(one.expected)
    widest = max(one.intervals, key=lambda interval: interval.level)
    return float(widest.low), float(widest.high)


def _description(found: Portfolio) -> str:
    """Describe the picture in words: the total with its ranges, then the makers."""
    total = found.total
    ranges = "; ".join(
        f"{one.level:.0%} range {money(one.low, found.currency)} to {money(one.high, found.currency)}"
        for one in total.intervals
    )
    makers = "; ".join(
        f"{one.name[0]} {money(one.expected, found.currency)}" for one in found.makers[:MOST_BARS]
    )
    return f"Expected total {money(total.expected, found.currency)}. {ranges}. By maker: {makers}."
