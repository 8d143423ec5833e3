"""A canvas that draws the shapes and texts of all pictures as SVG; every text is escaped."""

import math
from collections.abc import Sequence
from html import escape

INK, SOFT, PAPER = "#1f2328", "#5b636b", "#ffffff"
UP, DOWN, UNSURE, BASE = "#1c6e5a", "#b4532a", "#8a8f94", "#33414e"
WIDTH = 760
EDGE = 12  # what stays free between a text and the picture's edge
_FONT = "system-ui, 'Segoe UI', 'DejaVu Sans', sans-serif"

# Gains are solid, losses hatched and unknown fields dotted, so that nobody needs colours to tell them apart.
_PATTERNS = (
    f'<pattern id="{{id}}-down" width="6" height="6" patternUnits="userSpaceOnUse" '
    f'patternTransform="rotate(45)"><rect width="6" height="6" fill="{PAPER}"/>'
    f'<rect width="3.4" height="6" fill="{DOWN}"/></pattern>'
    f'<pattern id="{{id}}-unsure" width="6" height="6" patternUnits="userSpaceOnUse">'
    f'<rect width="6" height="6" fill="{PAPER}"/><circle cx="3" cy="3" r="1.7" fill="{UNSURE}"/></pattern>'
    f'<pattern id="{{id}}-band" width="7" height="7" patternUnits="userSpaceOnUse" '
    f'patternTransform="rotate(-45)"><rect width="7" height="7" fill="#eef2f1"/>'
    f'<rect width="1.6" height="7" fill="{UP}"/></pattern>'
)


def number(x: float) -> str:
    """Write a coordinate with at most one decimal, without a trailing zero or a minus zero."""
    shown = f"{x:.1f}".removesuffix(".0")
    return "0" if shown == "-0" else shown


class Canvas:
    """An SVG picture that is being drawn. `id`: unique on its page; all ids in the picture begin with it."""

    def __init__(self, id: str, height: float, title: str, description: str) -> None:
        self.id, self.height = id, height
        self._title, self._description = title, description
        self._marks: list[str] = []

    def fill(self, kind: str) -> str:
        """Return the fill value of a pattern: `down`, `unsure` or `band`."""
        return f"url(#{self.id}-{kind})"

    def rect(self, x: float, y: float, width: float, height: float, fill: str, stroke: str = "none") -> None:
        """Draw a rectangle from its top left corner."""
        geometry = f'x="{number(x)}" y="{number(y)}" width="{number(width)}" height="{number(height)}"'
        self._marks.append(f'<rect {geometry} fill="{fill}" stroke="{stroke}"/>')

    def line(
        self, x1: float, y1: float, x2: float, y2: float, stroke: str = INK, width: float = 1, dash: str = ""
    ) -> None:
        """Draw a straight line."""
        ends = f'x1="{number(x1)}" y1="{number(y1)}" x2="{number(x2)}" y2="{number(y2)}"'
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self._marks.append(f'<line {ends} stroke="{stroke}" stroke-width="{number(width)}"{dashed}/>')

    def path(
        self, points: Sequence[tuple[float, float]], fill: str, stroke: str = "none", *, closed: bool
    ) -> None:
        """Draw straight lines from point to point; `closed` makes them a polygon."""
        ends = " ".join(f"{number(x)},{number(y)}" for x, y in points)
        tag = "polygon" if closed else "polyline"
        self._marks.append(f'<{tag} points="{ends}" fill="{fill}" stroke="{stroke}" stroke-width="2"/>')

    def circle(self, x: float, y: float, radius: float, fill: str, stroke: str = INK) -> None:
        """Draw a circle around (x, y)."""
        geometry = f'cx="{number(x)}" cy="{number(y)}" r="{number(radius)}"'
        self._marks.append(f'<circle {geometry} fill="{fill}" stroke="{stroke}" stroke-width="1.5"/>')

    def diamond(self, x: float, y: float, radius: float, fill: str, stroke: str = INK) -> None:
        """Draw a square that stands on its corner."""
        corners = [(x - radius, y), (x, y - radius), (x + radius, y), (x, y + radius)]
        self.path(corners, fill, stroke, closed=True)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        anchor: str = "start",
        size: float = 13,
        fill: str = INK,
        bold: bool = False,
    ) -> None:
        """Write words on the baseline y. `anchor`: the part at x, `start`, `middle` or `end`."""
        weight = ' font-weight="600"' if bold else ""
        geometry = f'x="{number(x)}" y="{number(y)}" text-anchor="{anchor}" font-size="{number(size)}"'
        self._marks.append(f'<text {geometry} fill="{fill}"{weight}>{escape(words)}</text>')

    def heading(self) -> None:
        """Write the picture's title at its top, as much of it as there is room for."""
        self.text(16, 26, cut(self._title, WIDTH - 16 - EDGE, 18.5), size=17, bold=True)  # bold is broader

    def svg(self) -> str:
        """Return the whole picture as SVG text."""
        id, height = escape(self.id, quote=True), number(self.height)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-labelledby="{id}-title {id}-desc" '
            f'viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" font-family="{_FONT}">'
            f'<title id="{id}-title">{escape(self._title)}</title>'
            f'<desc id="{id}-desc">{escape(self._description)}</desc>'
            f"<defs>{_PATTERNS.format(id=id)}</defs>"
            f'<rect width="{WIDTH}" height="{height}" fill="{PAPER}"/>' + "".join(self._marks) + "</svg>\n"
        )


def ticks(low: float, high: float, about: int = 6) -> list[float]:
    """Return round numbers between low and high (low < high) for an axis, roughly `about` of them."""
    raw = (high - low) / max(about, 1)
    unit = 10 ** math.floor(math.log10(raw))
    step = next(unit * k for k in (1, 2, 2.5, 5, 10) if unit * k >= raw * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    return [k * step for k in range(first, math.floor(high / step + 1e-9) + 1)]


def breadth(words: str, size: float) -> float:
    """Return about how broad these words are in the broadest font of `_FONT`, rather more than less."""
    return size * sum(_BREADTHS.get(c, 0.64 if c < "A" or c.islower() else 0.79) for c in words)


def cut(words: str, most: float, size: float = 13) -> str:
    """Shorten words to at most this breadth, ending in an ellipsis if some are left out."""
    kept = words
    while breadth(kept, size) > most:
        kept = kept.removesuffix("…")[:-1].rstrip() + "…"
    return kept


# Breadths in units of the font's size, of the letters that are much narrower or broader than most.
_BREADTHS = (
    dict.fromkeys("iljI'.,:; |", 0.34) | dict.fromkeys("frt()-/", 0.42) | dict.fromkeys("mwMW%@…—", 1.01)
)
