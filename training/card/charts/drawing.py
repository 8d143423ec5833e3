"""The shared style of the card's charts: readable in black and white, the same bytes from the same figures.

Text in a chart stays text, so that screen readers and searches find it.
"""

import io
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullFormatter

INK, SOFT, PALE, ACCENT = "#1d232b", "#77808c", "#d9dde3", "#24507a"
_STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": SOFT,
    "ytick.color": SOFT,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
}


@contextmanager
def styled(salt: str) -> Iterator[None]:
    """Draw in the style of the card. `salt`: the text from which the picture's ids are hashed."""
    with matplotlib.rc_context({**_STYLE, "svg.hashsalt": salt}):
        yield


def svg(figure: Figure, name: str) -> str:
    """Return the picture as an `<svg>` element for a page. `name`: the prefix of all its ids."""
    out = io.StringIO()
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None}, transparent=True)
    text = out.getvalue()
    text = text[text.index("<svg") :]
    # Without width and height the chart scales with its column of the page. The prefix keeps the ids of
    # several charts on one page apart.
    text = re.sub(r'<svg ([^>]*?)width="[^"]*" ', r"<svg \1", text, count=1)
    text = re.sub(r'<svg ([^>]*?)height="[^"]*" ', r"<svg \1", text, count=1)
    text = re.sub(r'(id="|url\(#|href="#)', rf"\g<1>{name}-", text)
    return "\n".join(line.rstrip() for line in text.splitlines())


def axes(width: float = 5.2, height: float = 4.2) -> tuple[Figure, Axes]:
    """Return a figure of this width and height in inches, and its one panel."""
    figure = Figure(figsize=(width, height), layout="constrained")
    return figure, figure.subplots()


def bars(ax: Axes, rows: Sequence[tuple[str, float, str]], about: str) -> None:
    """Draw horizontal bars, the first on top. `rows`: (label, size, words at its end); `about`: the sizes."""
    at, size = np.arange(len(rows))[::-1], [row[1] for row in rows]
    ax.barh(at, size, color=ACCENT, height=0.62, lw=0)
    for y, (_, x, words) in zip(at, rows, strict=True):
        ax.text(x, y, f" {words}", va="center", ha="left", color=INK, fontsize=8.5)
    ax.set_yticks(at, [row[0] for row in rows])
    ax.set(xlabel=about)
    ax.tick_params(axis="y", length=0)


_DOLLARS = FuncFormatter(lambda x, _: f"{x:,.0f}")


def money_axis(axis: Any) -> None:
    """Write whole dollars at the ticks of an axis."""
    axis.set_major_formatter(_DOLLARS)
    axis.set_minor_formatter(NullFormatter())
