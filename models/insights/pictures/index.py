"""The picture of a market index: a line of the typical instrument's value over time, with its 80% band."""

from datetime import date

from models.insights.market import BAND, MarketIndex
from models.insights.pictures.canvas import BASE, INK, SOFT, WIDTH, Canvas, ticks
from models.insights.sentences import words_of

_LEFT, _RIGHT, _TOP, _FOOT, _HEIGHT = 58.0, 24.0, 66.0, 42.0, 320.0


def index_picture(index: MarketIndex, name: str, id: str = "index") -> str:
    """Draw a market index as SVG. `name`: maker and model of the typical instrument."""
    title = f"The market for a typical {name}"
    canvas = Canvas(id, _HEIGHT, title, _description(index))
    canvas.heading()
    note = (
        f"{words_of('day', index.days[-1].isoformat())} = 100; hatched: {BAND:.0%} band of the change since"
    )
    canvas.text(16, 46, note, size=12, fill=SOFT)
    start, end = index.days[0].toordinal(), index.days[-1].toordinal()
    low, high = min(index.low), max(index.high)
    pad = (high - low) * 0.06 or 5.0
    low, high = low - pad, high + pad

    def x(day: date) -> float:
        return _LEFT + (day.toordinal() - start) / (end - start) * (WIDTH - _LEFT - _RIGHT)

    def y(level: float) -> float:
        return _TOP + (high - level) / (high - low) * (_HEIGHT - _TOP - _FOOT)

    for tick in ticks(low, high, 5):
        canvas.line(_LEFT, y(tick), WIDTH - _RIGHT, y(tick), "#dfe3e6")
        canvas.text(_LEFT - 8, y(tick) + 4, f"{tick:g}", anchor="end", size=11, fill=SOFT)
    band = [(x(d), y(v)) for d, v in zip(index.days, index.high, strict=True)]
    band += [(x(d), y(v)) for d, v in reversed(list(zip(index.days, index.low, strict=True)))]
    canvas.path(band, canvas.fill("band"), closed=True)
    canvas.path(
        [(x(d), y(v)) for d, v in zip(index.days, index.level, strict=True)], "none", BASE, closed=False
    )
    for year in _years(index.days[0], index.days[-1]):
        at = x(date(year, 1, 1))
        canvas.line(at, _HEIGHT - _FOOT, at, _HEIGHT - _FOOT + 5, SOFT)
        canvas.text(at, _HEIGHT - _FOOT + 20, str(year), anchor="middle", size=11, fill=SOFT)
    last = index.last_evidence
    if last and index.days[0] < last < index.days[-1]:
        canvas.line(x(last), _TOP, x(last), _HEIGHT - _FOOT, INK, 1, "4 4")
        canvas.text(x(last) - 6, _TOP + 12, "last evidence", anchor="end", size=11)
    return canvas.svg()


def _years(first: date, last: date) -> list[int]:
    years = list(range(first.year + 1, last.year + 1))
    return years[:: max(1, -(-len(years) // 12))]


def _description(index: MarketIndex) -> str:
    """Describe the picture in words: the index at its start, lowest, highest and end."""
    pairs = list(zip(index.level, index.days, strict=True))
    said = []
    for words, (level, day) in (
        ("Starts at", pairs[0]),
        ("Lowest", min(pairs)),
        ("Highest", max(pairs)),
        ("Ends at", pairs[-1]),
    ):
        said.append(f"{words} {level:.0f} on {words_of('day', day.isoformat())}.")
    held = index.last_evidence and index.last_evidence < index.days[-1]
    if held and index.last_evidence:
        last = words_of("day", index.last_evidence.isoformat())
        said.append(f"Continued for at most a year after the last evidence of {last}, then kept level.")
    return " ".join(said)
