"""The figures of the boosted trees of a served model, for the card to draw: nothing is fitted anew."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from models.domain.catalogue import BODIES
from models.domain.evidence import Evidence
from models.price.core.basis import Floats
from models.price.core.core import BLANKS, COLUMN, LOSS, Core, Input, Trees
from models.price.instruments.encoding import InstrumentEncoding
from models.price.instruments.model import GuitarModel
from models.price.interface import PriceModel
from models.study.judge import only_sales

CONDITION = "condition"
_ORIGINALITY, _RARITY = ("refinish", "changed parts"), ("edition", "build", "figure")
_SPAN = (0.02, 0.98)  # of the sales: beyond, a line would rest on a handful
_LEVELS = (_SPAN[0], 0.5, _SPAN[1])
_POINTS = 81
_MOST_PAIRS = 12
_GROUPS = 6  # of each side of the map


def learnt(model: PriceModel, rows: Sequence[Evidence], report: Mapping[str, Any]) -> dict[str, Any] | None:
    """Everything that the card says of the trees; None for a model that has none.

    `report`: of the fit, for what the trees gain on sales left out of it. All else is computed from the model
    as it is served, over the sales among the rows.
    """
    if not isinstance(model, GuitarModel) or model.core.trees is None:
        return None
    trees, encoding = model.core.trees, InstrumentEncoding(model.catalogue, model.typical)
    x = model.evaluator.parts_of([encoding.row(sale.subject) for sale in only_sales(rows)]).inputs
    # A booster numbers its columns: they are the trees' inputs in their order.
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
    """Two (n,) log responses to inputs x (n, p) of the trees: of the whole value, and of its backbone alone.

    Only what losses and trees say is in them: the level of the backbone is not, it does not bend.
    """
    trees = core.trees
    assert trees is not None
    loss = x[:, [at for at, one in enumerate(trees.inputs) if one.kind == LOSS]].sum(axis=1)
    cap = core.backbone.cap
    taken = loss if math.isinf(cap) else -cap * np.expm1(-loss / cap)
    return trees.weight * trees.tables.predict(x) - trees.kept_losses * taken, -taken


def _bends(
    core: Core, trees: Trees, x: Floats, strengths: Mapping[tuple[str, str], float]
) -> list[dict[str, Any]]:
    """The response to condition at three levels of what bends it most, of originality and of rarity."""
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
    """Lines of value, 1 at the left end, each with the backbone's own."""
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
    """Low, middle and high. Where most sales are alike, the middle lies between the other two."""
    low, middle, high = np.quantile(values, _LEVELS).tolist()
    if high == low:
        low, high = float(values.min()), float(values.max())
    return [low, middle if low < middle < high else (low + high) / 2, high]


def _map(trees: Trees, x: Floats, pair: tuple[str, str], left: Floats) -> dict[str, Any]:
    """The mean over the sales of each cell of what a pair says beyond its two inputs; None without sales.

    The cells are groups of sales, about as many in each row and each column.
    """
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
    """The group of each value, groups of about as many each where values differ; and each group's median."""
    ends = np.unique(np.quantile(values, np.linspace(0, 1, _GROUPS + 1)[1:-1]))
    _, position = np.unique(np.searchsorted(ends, values), return_inverse=True)
    return position, [float(np.median(values[position == group])) for group in range(position.max() + 1)]


def _written(one: Input, x: float, middle: float) -> str:
    """A value of an input in the words of an owner: what it does to the value by the backbone alone."""
    if one.kind == BLANKS:
        return f"{x:.0f} blank"
    if one.kind == COLUMN:
        return BODIES[int(x)] if one.name == "body" and 0 <= x < len(BODIES) else f"{x:g}"
    change = round(100 * math.expm1(-x if one.kind == LOSS else x - middle))
    return f"{change:+d}%".replace("-", "−") if change else "0%"
