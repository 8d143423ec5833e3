"""The card's chart of the rules of common practice: prior, evidence and posterior of each rule."""

import math
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from matplotlib.axes import Axes
from matplotlib.figure import Figure, SubFigure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator
from matplotlib.transforms import Bbox

from training.card.charts.drawing import ACCENT, INK, PALE, SOFT, styled, svg

Told = Mapping[str, Any]
_ROW, _HEAD = 0.2, 2.6  # height of a row in inches; height of a group's title and axis in rows
_TICKS = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1, 1.1, 1.25, 1.5, 2, 2.5, 3, 4, 6, 10)
_BESIDE = 0.2  # height of a panel's free margins, in rows
_MOST_TICKS = 7
_LEAST_REACH = 0.05  # a panel shows at least this much to each side of what it draws, in log


class Group(NamedTuple):
    """The title and the rules of one panel; each rule is an entry of the fit's report."""

    title: str
    rules: Sequence[Told]


def practice_chart(groups: Sequence[Group]) -> str:
    """Draw a panel per group and a row per rule: prior (bar), evidence (hollow mark), posterior (full mark).

    Spans are of 80%. A diamond marks evidence that contradicts its rule. A row has the id `rule-<name>`.
    """
    columns = _columns(groups)
    with styled("practice"):
        rows = max(sum(map(_rows, column)) for column in columns)
        figure = Figure(figsize=(9.2, _ROW * rows + 0.4), layout="constrained")
        parts = figure.subfigures(1, len(columns), squeeze=False)[0]
        for part, column in zip(parts, columns, strict=True):
            _draw_column(part, column, rows)
        figure.legend(handles=_key(), loc="outside upper center", ncols=3)
        _settle(figure)
        return svg(figure, "practice")


def _settle(figure: Figure) -> None:
    """Fix the layout at rounded positions, because the solver's last digits differ from run to run."""
    figure.draw_without_rendering()
    figure.set_layout_engine("none")
    for axes in figure.axes:
        axes.set_position(Bbox.from_bounds(*(round(side, 4) for side in axes.get_position().bounds)))


def _rows(group: Group) -> float:
    return _HEAD + len(group.rules)


def _columns(groups: Sequence[Group]) -> list[Sequence[Group]]:
    """Return the groups in two columns of heights as equal as their order allows; a single group in one."""
    if len(groups) < 2:
        return [groups]
    heights = [_rows(group) for group in groups]
    cut = min(range(1, len(groups)), key=lambda at: max(sum(heights[:at]), sum(heights[at:])))
    return [groups[:cut], groups[cut:]]


def _draw_column(part: SubFigure, column: Sequence[Group], rows: float) -> None:
    # The height ratios leave out titles and axes, so that all rows have the same height.
    spare = rows - sum(map(_rows, column))
    ratios = [*(len(group.rules) + _BESIDE for group in column), spare][: len(column) + (spare > 0)]
    grid = part.add_gridspec(len(ratios), 1, height_ratios=ratios)
    for at, group in enumerate(column):
        _draw_group(part.add_subplot(grid[at]), group)
    if spare > 0:
        part.add_subplot(grid[-1]).set_axis_off()


def _draw_group(ax: Axes, group: Group) -> None:
    ax.axvline(1, color=SOFT, lw=0.7, ls=(0, (4, 3)), zorder=0)
    low, high = _reach(group.rules)
    for y, told in zip(range(len(group.rules))[::-1], group.rules, strict=True):
        _draw_rule(ax, y, told, low, high)
    labels = ax.set_yticks(range(len(group.rules))[::-1], [label_of(told) for told in group.rules])
    for tick, told in zip(labels, group.rules, strict=True):
        tick.label1.set_fontweight("bold" if told["contradicted"] else "normal")
    ax.set_title(group.title, fontsize=9.5, loc="left", fontweight="bold")
    ax.set(xscale="log", xlim=(low, high), ylim=(-0.5 - _BESIDE / 2, len(group.rules) - 0.5 + _BESIDE / 2))
    ax.xaxis.set_major_locator(FixedLocator(_ticks(low, high)))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:g}"))
    ax.tick_params(axis="y", length=0, labelsize=8)
    ax.tick_params(axis="x", labelsize=8)


def _ticks(low: float, high: float) -> list[float]:
    """Return the ticks between the ends, thinned out to `_MOST_TICKS` at most; 1 is always a tick."""
    own = [tick for tick in _TICKS if low <= tick <= high]
    every = math.ceil(len(own) / _MOST_TICKS)
    return [tick for at, tick in enumerate(own) if (at - own.index(1)) % every == 0]


def label_of(told: Told) -> str:
    """Return a rule's name with spaces for underscores."""
    return str(told["name"]).replace("_", " ")


def _reach(rules: Sequence[Told]) -> tuple[float, float]:
    """Return the ends of an axis that shows 1, all priors and posteriors, and the evidence against a rule."""
    ends = [told[span][end] for told in rules for span in ("prior", "posterior") for end in ("low", "high")]
    ends += [told["evidence"]["factor"] for told in rules if told["contradicted"]]
    low, high = math.log(min(*ends, 1.0)), math.log(max(*ends, 1.0))
    beside = max(_LEAST_REACH, 0.06 * (high - low))
    return math.exp(low - beside), math.exp(high + beside)


def _draw_rule(ax: Axes, y: int, told: Told, low: float, high: float) -> None:
    prior, both, evidence = told["prior"], told["posterior"], told["evidence"]
    ax.barh(y, prior["high"] - prior["low"], left=prior["low"], height=0.74, color=PALE, lw=0)
    if evidence is not None:
        ax.plot([evidence["low"], evidence["high"]], [y + 0.17, y + 0.17], color=SOFT, lw=0.9)
        at = min(max(evidence["factor"], low), high)
        shape = (
            "D" if told["contradicted"] else "o" if at == evidence["factor"] else "<" if at == low else ">"
        )
        ax.plot(at, y + 0.17, shape, color=INK, mfc="white", ms=3.6, mew=0.8, clip_on=False)
    row = ax.plot([both["low"], both["high"]], [y - 0.17, y - 0.17], color=ACCENT, lw=1.6)[0]
    row.set_gid(f"rule-{told['name']}")
    ax.plot(both["factor"], y - 0.17, "o", color=ACCENT, ms=3.4)


def _key() -> list[Any]:
    evidence = Line2D([], [], color=SOFT, lw=0.9, marker="o", mec=INK, mfc="white", ms=4, label="evidence")
    both = Line2D([], [], color=ACCENT, lw=1.6, marker="o", ms=3.8, label="both together")
    return [Patch(color=PALE, label="practice"), evidence, both]
