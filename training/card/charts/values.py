"""The card's charts of errors, coverage, market index and importance, as SVG."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from models.price.core.basis import Floats
from training.card.charts.drawing import ACCENT, INK, PALE, SOFT, axes, bars, money_axis, styled, svg

_MOST_POINTS = 1500  # largest number of points in a scatter chart: more make a blot and a large file


def _thinned(n: int) -> np.ndarray:
    return np.linspace(0, n - 1, min(n, _MOST_POINTS)).round().astype(np.int64)


def predicted_against_paid(center: Floats, paid: Floats) -> str:
    """Draw values against prices on log axes, in US dollars, with the line where both are equal.

    `center`, `paid`: (n,) values and prices in log US dollars.
    """
    with styled("paid"):
        figure, ax = axes()
        some = _thinned(len(paid))
        x, y = np.exp(center[some]), np.exp(paid[some])
        ends = np.exp([min(center.min(), paid.min()), max(center.max(), paid.max())])
        ax.plot(ends, ends, color=INK, lw=1, label="value = price", zorder=3)
        ax.plot(ends, ends * 1.25, color=SOFT, lw=0.8, ls=(0, (4, 3)), label="a quarter off")
        ax.plot(ends, ends / 1.25, color=SOFT, lw=0.8, ls=(0, (4, 3)))
        ax.scatter(x, y, s=9, facecolor="none", edgecolor=ACCENT, lw=0.6, alpha=0.7)
        ax.set(xscale="log", yscale="log", xlabel="value (US dollars)", ylabel="price paid (US dollars)")
        money_axis(ax.xaxis)
        money_axis(ax.yaxis)
        ax.legend(loc="upper left")
        return svg(figure, "paid")


def ratio_by_price(center: Floats, paid: Floats) -> str:
    """Draw value over price against value, with the median and middle half of each tenth of the sales."""
    with styled("ratio"):
        figure, ax = axes()
        some, ratio = _thinned(len(paid)), np.exp(center - paid)
        ax.scatter(np.exp(center[some]), ratio[some], s=7, color=PALE, lw=0)
        ax.axhline(1, color=INK, lw=0.8)
        for row, part in enumerate(filter(len, np.array_split(np.argsort(center, kind="stable"), 10))):
            low, middle, high = np.quantile(ratio[part], [0.25, 0.5, 0.75])
            x = float(np.exp(np.median(center[part])))
            ax.plot([x, x], [low, high], color=ACCENT, lw=2.2, label=None if row else "middle half")
            ax.plot(x, middle, "o", color=INK, ms=5, label=None if row else "its median")
        ax.set(xscale="log", yscale="log", xlabel="value (US dollars)", ylabel="value ÷ price paid")
        ax.set_ylim(*np.clip(np.quantile(ratio, [0.005, 0.995]) * [0.9, 1.1], 0.2, 5))
        money_axis(ax.xaxis)
        ax.yaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:g}"))
        ax.yaxis.set_minor_formatter(FuncFormatter(lambda x, _: f"{x:g}" if round(x, 1) in (0.5, 2) else ""))
        ax.legend(loc="upper right")
        return svg(figure, "ratio")


def coverage_chart(rows: Sequence[tuple[str, int, Sequence[float]]], levels: Sequence[float]) -> str:
    """Draw the share of prices inside the ranges: a dot per group and level, and a line at the level.

    `rows`: (group, sales, share inside per level). A bar spans the shares that chance gives to 95 of 100
    groups of that size if the ranges hold. A hollow diamond lies outside its bar.
    """
    with styled("coverage"):
        figure = Figure(figsize=(9.2, 0.27 * len(rows) + 1.0), layout="constrained")
        panels = np.atleast_1d(figure.subplots(1, len(levels), sharey=True))
        at = np.arange(len(rows))[::-1]
        for k, (ax, level) in enumerate(zip(panels, levels, strict=True)):
            share = np.array([row[2][k] for row in rows])
            count = np.array([row[1] for row in rows])
            reach = 1.96 * np.sqrt(level * (1 - level) / count)
            ax.axvline(level, color=INK, lw=0.9)
            ax.barh(at, 2 * reach, left=level - reach, height=0.5, color=PALE, lw=0)
            left, right = max(0.0, level - 0.3), min(1.02, level + 0.3)
            out, off = np.abs(share - level) > reach, share < left
            ax.plot(share[~out], at[~out], "o", color=ACCENT, ms=4.5)
            ax.plot(share[out & ~off], at[out & ~off], "D", color=INK, mfc="white", ms=4.5)
            if off.any():  # the layout engine fails on an empty line that is not clipped
                ax.plot(np.full(off.sum(), left), at[off], "<", color=INK, ms=5, clip_on=False)
            ax.set_title(f"{level:.0%} range", fontsize=9, loc="left")
            ax.set_xlim(left, right)
            ax.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{100 * x:.0f}%"))
            ax.tick_params(length=0)
            ax.spines["left"].set_visible(False)
        panels[0].set_yticks(at, [f"{name} ({n:,})" for name, n, _ in rows])
        return svg(figure, "coverage")


def index_chart(
    days: Sequence[Any],
    center: Floats,
    low: Floats,
    high: Floats,
    band: str,
    check: tuple[Sequence[Any], Floats] | None,
) -> str:
    """Draw the market index, 100 on the last day, with its band.

    `band`: the band's label. `check`: the days and levels of another index, None for none.
    """
    with styled("index"):
        figure, ax = axes(9.2, 3.4)
        ax.fill_between(days, low, high, color=PALE, lw=0, label=band)
        ax.plot(days, center, color=ACCENT, lw=1.8, label="the model's index")
        if check is not None:
            label = "instruments sold twice, yearly (another method)"
            ax.plot(check[0], check[1], "s", color=INK, mfc="white", ms=4.5, label=label)
        ax.axhline(100, color=SOFT, lw=0.7, ls=(0, (4, 3)))
        ax.set(ylabel="level, last day = 100")
        ax.legend(loc="best")
        return svg(figure, "index")


def importance_chart(rows: Sequence[tuple[str, str, float]]) -> str:
    """Draw a bar per field. `rows`: (label, family, mean effect in per cent), the largest first."""
    with styled("matters"):
        figure, ax = axes(9.2, 0.27 * len(rows) + 0.7)
        drawn = [(f"{label} · {family}", size, f"{size:.1f}%") for label, family, size in rows]
        bars(ax, drawn, "mean size of its effect on the price, in per cent")
        ax.margins(x=0.08)
        return svg(figure, "matters")
