"""The chart of a price model's growth: its errors and range widths against the number of sales."""

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from training.card.charts.drawing import ACCENT, INK, PALE, SOFT, styled, svg

_PANELS = (
    ("median_error", "median error, per cent"),
    ("rmse_log", "RMSE in log, about the median"),
    ("width", "mean width of the 80% range, in log"),
)
_WORDS = "Error and range against the number of sales: a dot for each size that was fitted"
_CURVE = "; a line for the curve through them, carried on to four times today's records, with its band"


def growth_picture(found: Mapping[str, Any]) -> str:
    """Return the chart as the text of an SVG file. `found`: the result of `training.growth.report.report`.

    Raises ValueError where no fit was measured, because the sales were too few.
    """
    if not found["past"]:
        raise ValueError("there is no size to draw: the sales are too few")
    with styled("growth"):
        figure = Figure(figsize=(9.2, 3.2), layout="constrained")
        today = found["records"]["sale"]
        for ax, (name, label) in zip(figure.subplots(1, len(_PANELS)), _PANELS, strict=True):
            _panel(ax, found["past"], (found["expected"] or {}).get(name), name, today)
            ax.set_title(label, fontsize=9, loc="left")
        text = svg(figure, "growth")
    words = _WORDS + (_CURVE if found["expected"] else "")
    return text.replace("<svg ", f'<svg role="img" aria-label="{escape(words)}" ', 1) + "\n"


def _panel(
    ax: Axes, past: Sequence[Mapping[str, Any]], curve: Mapping[str, Any] | None, name: str, today: int
) -> None:
    n = [size["sale"] for size in past]
    if curve:
        last = curve["at"][-1]["sales"]
        x = np.geomspace(n[0], last, 60)
        y = curve["a"] + curve["b"] * x ** -curve["c"]
        at, low, high = ([one[key] for one in curve["at"]] for key in ("sales", "low", "high"))
        ax.fill_between(at, low, high, color=PALE, lw=0)
        ax.plot(x[x <= today], y[x <= today], color=ACCENT, lw=1.4)
        ax.plot(x[x >= today], y[x >= today], color=ACCENT, lw=1.4, ls=(0, (4, 3)))
        ax.axhline(curve["floor"], color=SOFT, lw=0.7, ls=(0, (1, 2)))
        ax.text(n[0], curve["floor"], "noise of sales", color=SOFT, fontsize=8, va="top")
    ax.axvline(today, color=SOFT, lw=0.7)
    ax.text(today, 1.0, " today", transform=ax.get_xaxis_transform(), color=SOFT, fontsize=8, va="top")
    ax.plot(n, [size[name] for size in past], "o", color=INK, ms=5)
    ax.set(xscale="log", xlabel="sales")
    ax.set_ylim(bottom=0)
    ticks = [*n, *((one["sales"] for one in curve["at"]) if curve else (today,))]
    ax.xaxis.set_major_locator(FixedLocator(sorted(set(ticks))))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))
    ax.tick_params(axis="x", labelsize=7.5)
