"""Whether a forest keeps the signs that it was fitted under: proven leaf by leaf, not sampled.

A boosting library's promise is not enough: LightGBM 4.7's monotone method "advanced" breaks it once values
are missing (its issues 5358 and 6155). Signs of effects rest on this, so a fit should prove it
before it is kept.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from models.price.trees import Forest

Bools = NDArray[np.bool_]

_TREES = 64  # at a time, so that memory stays bounded


def wrong_steps(forest: Forest, signs: Mapping[str, int]) -> dict[str, float]:
    """Of the named columns those whose growth moves some tree against their sign, and the largest such step.

    `signs`: −1 where more may never raise the prediction, +1 where it may never lower it. Missing values
    stand in no order to the others. A step is in units of the prediction, of one tree, all other
    columns equal and
    at any values at all. Empty: every tree is monotone, and so is their sum. Raises KeyError for a column
    that the forest does not have, ValueError for another sign.
    """
    if any(sign not in (-1, 1) for sign in signs.values()):
        raise ValueError(f"signs must be -1 or 1, got {dict(signs)}")
    places = {column: forest.columns.index(column) for column in signs if _known(forest, column)}
    worst = dict.fromkeys(signs, 0.0)
    for at in range(0, forest.met.shape[1], _TREES):
        trees = slice(at, at + _TREES)
        allowed = [_leaves(forest, used, trees) for used in range(len(forest.used))]
        together = [_share(bins, bins) for bins in allowed]
        apart = np.sum([~pair for pair in together], axis=0, dtype=np.int32)
        values = np.ldexp(forest.leaves[trees].astype(np.float64), -forest.unit) / forest.boosters
        rises = values[:, None, :] - values[:, :, None]  # [tree, from leaf, to leaf]
        for column, sign in signs.items():
            for used in np.flatnonzero(forest.used == places[column]):
                elsewhere_together = apart == ~together[used]
                # The last bin is that of missing values.
                steps = _share(allowed[used][:-2], allowed[used][1:-1]) & elsewhere_together
                worst[column] = max(worst[column], float((-sign * rises).max(where=steps, initial=0.0)))
    return {column: step for column, step in worst.items() if step > 0}


def _known(forest: Forest, column: str) -> bool:
    if column not in forest.columns:
        raise KeyError(f"the forest has no column {column!r}; it has {', '.join(forest.columns)}")
    return True


def _leaves(forest: Forest, used: int, trees: slice) -> Bools:
    """(bins, trees, leaves) which leaves each bin of one used column allows."""
    ends = [*forest.bins.tolist(), len(forest.met)]
    words = np.ascontiguousarray(forest.met[ends[used] : ends[used + 1], trees])
    bits = np.unpackbits(words.view(np.uint8), axis=1, bitorder="little")
    return bits.reshape(*words.shape, -1).astype(np.bool_)


def _share(some: Bools, others: Bools) -> Bools:
    """(trees, leaves, leaves) whether a bin of `some` allows the one where its like of `others` does."""
    one, other = (bins.transpose(1, 0, 2).astype(np.float32) for bins in (some, others))
    shared: Bools = (one.swapaxes(1, 2) @ other) > 0
    return shared
