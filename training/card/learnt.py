"""The figures of the boosted trees of a served model, for the card to draw: nothing is fitted anew."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from models.domain.catalogue import BODIES
from models.domain.evidence import Evidence
from models.price.core.backbone import saturate
from models.price.core.basis import Floats
from models.price.core.core import BLANKS, COLUMN, LOSS, Core, Input, Trees
from models.price.instruments.encoding import InstrumentEncoding
from models.price.instruments.model import GuitarModel
from models.price.interface import PriceModel
from models.study.judge import only_sales

CONDITION = "condition"
_ORIGINALITY, _RARITY = ("refinish", "changed parts"), ("edition", "build", "figure")
_SPAN = (0.02, 0.98)  # quantiles of the sales where lines begin and end: beyond them are only a few sales
_LEVELS = (_SPAN[0], 0.5, _SPAN[1])
_POINTS = 81
_MOST_PAIRS = 12
_GROUPS = 6  # largest number of groups of sales along each side of the map


def learnt(model: PriceModel, rows: Sequence[Evidence], report: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return the card's figures about the boosted trees; None for a model without trees.

    `report`: the fit's report, which holds what the trees gain on sales left out of the fit. All other
    figures are computed from the served model, over the sales among `rows`.
    """
    if not isinstance(model, GuitarModel) or model.core.trees is None:
        return None
    trees, encoding = model.core.trees, InstrumentEncoding(model.catalogue, model.typical)
    x = model.evaluator.parts_of([encoding.row(sale.subject) for sale in only_sales(rows)]).inputs
    # A booster knows its columns only by number, in the order of the trees' inputs.
    name = dict(zip(trees.tables.names, (one.name for one in trees.inputs), strict=True))
    beyond = {(name[i], name[j]): left for (i, j), left in trees.tables.beyond(x).items()}
    strengths = {pair: trees.weight * float(left.std()) for pair, left in beyond.items()}
    ranked = sorted(strengths, key=lambda pair: (-strengths[pair], pair))
    told = report.get("trees", {})
    return {
        "boosters": len(trees.texts),
        "trees": sum(text.count("\nTree=") for text in trees.texts),
        "weight": trees.weight,
        "gain": told.get("gain"),
        "gain_error": told.get("gain_error"),
        "sales": len(x),
        "bends": _bends(model.core, trees, x, strengths),
        "pairs": [{"inputs": list(pair), "strength": strengths[pair]} for pair in ranked[:_MOST_PAIRS]],
        "map": _map(trees, x, ranked[0], trees.weight * beyond[ranked[0]]) if ranked else None,
    }


def response(core: Core, x: Floats) -> tuple[Floats, Floats]:
    """Return two (n,) log responses to the trees' inputs x (n, p): with the trees, and without them.

    Both count only the losses and the trees. The level of the value, which does not bend, is left out.
    """
    trees = core.trees
    assert trees is not None
    loss = x[:, [at for at, one in enumerate(trees.inputs) if one.kind == LOSS]].sum(axis=1)
    taken = saturate(loss, core.backbone.cap)
    return trees.weight * trees.tables.predict(x) - trees.kept_losses * taken, -taken


def _bends(
    core: Core, trees: Trees, x: Floats, strengths: Mapping[tuple[str, str], float]
) -> list[dict[str, Any]]:
    """Return the response to condition at three levels of the inputs that interact with it most."""
    names = [one.name for one in trees.inputs]
    if CONDITION not in names:
        return []
    at = names.index(CONDITION)
    best, worst = np.quantile(x[:, at], _SPAN)
    loss = np.linspace(best, worst, _POINTS)
    out = []
    for kind, candidates in (("originality", _ORIGINALITY), ("rarity", _RARITY)):
        there = [name for name in candidates if name in names]
        if not there:
            continue
        by = max(there, key=lambda name: _strength(strengths, name))
        out.append(_bend(core, trees.inputs, x, at, names.index(by), loss) | {"kind": kind, "by": by})
    return out


def _strength(strengths: Mapping[tuple[str, str], float], name: str) -> float:
    return max(strengths.get((CONDITION, name), 0.0), strengths.get((name, CONDITION), 0.0))


def _bend(core: Core, inputs: Sequence[Input], x: Floats, at: int, by: int, loss: Floats) -> dict[str, Any]:
    """Return a line of values over `loss`, from 1 on, for each level of the input in column `by` of x."""
    middle, lines = np.median(x, axis=0), []
    for name, level in zip(("low", "middle", "high"), _levels(x[:, by]), strict=True):
        row = np.tile(middle, (len(loss), 1))
        row[:, at], row[:, by] = loss, level
        whole, own = response(core, row)
        lines.append(
            {
                "name": name,
                "level": _written(inputs[by], level, float(middle[by])),
                "value": np.exp(whole - whole[0]),
                "backbone": np.exp(own - own[0]),
            }
        )
    return {"loss": loss, "lines": lines}


def _levels(values: Floats) -> list[float]:
    """Return a low, middle and high value: quantiles, or halfway for a middle that equals low or high."""
    low, middle, high = np.quantile(values, _LEVELS).tolist()
    if high == low:
        low, high = float(values.min()), float(values.max())
    return [low, middle if low < middle < high else (low + high) / 2, high]


def _map(trees: Trees, x: Floats, pair: tuple[str, str], left: Floats) -> dict[str, Any]:
    """Return the map of a pair of inputs: the mean joint effect `left` in each cell, NaN without sales."""
    names = [one.name for one in trees.inputs]
    sides = [names.index(name) for name in pair]
    groups = [_grouped(x[:, at]) for at in sides]
    shape = [len(means) for _, means in groups]
    cell = groups[0][0] * shape[1] + groups[1][0]
    count = np.bincount(cell, minlength=math.prod(shape))
    total = np.bincount(cell, weights=left, minlength=math.prod(shape))
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return {
        "inputs": list(pair),
        "labels": [
            [_written(trees.inputs[at], mean, float(np.median(x[:, at]))) for mean in means]
            for at, (_, means) in zip(sides, groups, strict=True)
        ],
        "effect": mean.reshape(shape),
        "sales": count.reshape(shape),
    }


def _grouped(values: Floats) -> tuple[Any, list[float]]:
    """Split values at quantiles into up to `_GROUPS` groups; return each value's group and their medians."""
    ends = np.unique(np.quantile(values, np.linspace(0, 1, _GROUPS + 1)[1:-1]))
    _, position = np.unique(np.searchsorted(ends, values), return_inverse=True)
    return position, [float(np.median(values[position == group])) for group in range(position.max() + 1)]


def _written(one: Input, x: float, middle: float) -> str:
    """Write an input as text: a count of blanks, a column's value, or the backbone's change in per cent."""
    if one.kind == BLANKS:
        return f"{x:.0f} blank"
    if one.kind == COLUMN:
        return BODIES[int(x)] if one.name == "body" and 0 <= x < len(BODIES) else f"{x:g}"
    change = round(100 * math.expm1(-x if one.kind == LOSS else x - middle))
    return f"{change:+d}%".replace("-", "−") if change else "0%"
