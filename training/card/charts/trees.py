"""The card's charts of what the boosted trees learnt, as SVG (`training.card.charts.drawing`)."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

from training.card.charts.drawing import ACCENT, INK, PALE, SOFT, axes, bars, styled, svg

# Dashes and colours of the low, middle and high line; the dashes alone tell them apart.
_DASHES: Sequence[Any] = ((0, (1.2, 1.6)), (0, (5, 2)), "solid")
_SHADES = (ACCENT, INK, ACCENT)
# Least reach in per cent of the panels' axes, the bars' axis and the shades: a tiny effect must not look big.
_LEAST_SPAN, _LEAST_BAR, _LEAST_SHADE = 1.0, 0.1, 0.1


def bend_chart(bends: Sequence[Mapping[str, Any]], titles: Sequence[str]) -> str:
    """Draw a column per bend: values against the loss, and below them what the trees change on each line.

    `titles`: one per column. Values are shares of the value at the left end.
    """
    with styled("bends"):
        figure = Figure(figsize=(9.2, 5.4), layout="constrained")
        panels = figure.subplots(
            2, len(bends), squeeze=False, sharex=True, sharey="row", height_ratios=(3, 2)
        )
        for column, (bend, title) in enumerate(zip(bends, titles, strict=True)):
            _draw_bend(panels[0, column], panels[1, column], bend)
            panels[0, column].set_title(title, fontsize=9, loc="left")
            panels[1, column].set_xlabel("scaled loss of condition (log)")
        panels[0, 0].set_ylabel("value, left end = 100")
        panels[1, 0].set_ylabel("what the trees do, per cent")
        reach = max(_LEAST_SPAN, *(np.abs(ax.dataLim.intervaly).max() for ax in panels[1]))
        panels[1, 0].set_ylim(-1.1 * reach, 1.1 * reach)
        return svg(figure, "bends")


def _draw_bend(top: Axes, below: Axes, bend: Mapping[str, Any]) -> None:
    loss, own = np.array(bend["loss"]), np.array(bend["lines"][1]["backbone"])
    top.plot(loss, 100 * own, color=PALE, lw=5, solid_capstyle="butt", label="the backbone alone")
    below.axhline(0, color=PALE, lw=5)
    for line, dash, shade in zip(bend["lines"], _DASHES, _SHADES, strict=True):
        value, own = np.array(line["value"]), np.array(line["backbone"])
        label = f"{bend['by']} {line['name']} ({line['level']})"
        top.plot(loss, 100 * value, color=shade, ls=dash, lw=1.5, label=label)
        below.step(loss, 100 * (value / own - 1), color=shade, ls=dash, lw=1.5, where="mid")
    top.set_yscale("log")
    top.yaxis.set_major_locator(LogLocator(subs=(1, 1.5, 2, 3, 4, 5, 7)))
    top.yaxis.set_major_formatter(FuncFormatter(lambda y, _: f"{y:g}"))
    top.yaxis.set_minor_formatter(NullFormatter())
    below.yaxis.set_major_formatter(FuncFormatter(lambda y, _: f"{y:+g}".replace("-", "−") if y else "0"))
    top.legend(loc="lower left", handlelength=2.6)


def pairs_chart(rows: Sequence[tuple[str, float]]) -> str:
    """Draw a bar per pair of inputs. `rows`: (pair, joint effect in per cent of value), strongest first."""
    with styled("pairs"):
        figure, ax = axes(9.2, 0.27 * len(rows) + 0.7)
        drawn = [(name, size, f"{size:#.2g}%") for name, size in rows]
        bars(ax, drawn, "typical size of what both do together, in per cent of the value")
        ax.set_xlim(0, 1.08 * max(_LEAST_BAR, *(size for _, size in rows)))
        return svg(figure, "pairs")


def map_chart(told: Mapping[str, Any]) -> str:
    """Draw a pair's cells, with the pair's effect beyond each input alone, in per cent of the value."""
    effect = 100 * np.expm1(np.array(told["effect"], dtype=np.float64))
    sales, (down, along) = np.array(told["sales"]), told["labels"]
    largest = float(np.nanmax(np.abs(effect)))
    shade = np.nan_to_num(effect) / max(largest, _LEAST_SHADE)
    with styled("map"):
        figure, ax = axes(9.2, 0.42 * len(down) + 1.0)
        for row, column in np.ndindex(effect.shape):
            if sales[row, column]:
                _draw_cell(ax, row, column, shade[row, column], _signed(float(effect[row, column]), largest))
        ax.set_xticks(range(len(along)), along)
        ax.set_yticks(range(len(down)), down)
        ax.set(xlabel=f"{told['inputs'][1]}, alone", ylabel=f"{told['inputs'][0]}, alone")
        ax.set(xlim=(-0.5, len(along) - 0.5), ylim=(len(down) - 0.5, -0.5))
        ax.tick_params(length=0)
        for spine in ax.spines.values():
            spine.set_visible(False)
        return svg(figure, "map")


def _draw_cell(ax: Axes, row: int, column: int, shade: float, text: str) -> None:
    """Draw a cell: darker the further its effect is from 0, blue above 0 and grey below."""
    color = ACCENT if shade > 0 else SOFT
    box = Rectangle((column - 0.48, row - 0.46), 0.96, 0.92, facecolor=color, alpha=abs(shade), lw=0)
    ax.add_patch(box)
    ink = "white" if shade > 0.55 else INK
    ax.text(column, row, text, ha="center", va="center", fontsize=8.5, color=ink)


def _signed(x: float, largest: float) -> str:
    """Write x in per cent, with the decimals that `largest` needs for two significant digits."""
    digits = int(np.clip(1 - np.floor(np.log10(max(largest, 1e-3))), 0, 3))
    text = f"{x:+.{digits}f}%".replace("-", "−")
    return text if float(f"{x:.{digits}f}") else "0"
