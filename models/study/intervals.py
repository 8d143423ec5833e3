"""Judging and correcting intervals: conformal quantiles, coverage and the interval score."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from models.price.core.basis import Floats


def conformal_rank(n: int, level: float) -> int:
    """k = ⌈(n + 1)·level⌉ (Lei et al. 2018): which smallest of n scores covers a new one at `level`."""
    # A product that is whole but for floating point must not be rounded up.
    return math.ceil(round((n + 1) * level, 9))


def conformal_quantile(scores: Floats | Sequence[float], level: float) -> float:
    """The `conformal_rank`-th smallest score; infinite if there are too few of them."""
    k = conformal_rank(len(scores), level)
    return float(np.sort(np.asarray(scores, dtype=np.float64))[k - 1]) if k <= len(scores) else math.inf


def cqr_correction(scores: Floats | Sequence[float], level: float) -> float:
    """The margin for both ends of a quantile interval (Romano, Patterson & Candès 2019); can be negative.

    `scores`: max(low − y, y − high) of rows that the quantiles were not fitted on.
    """
    return conformal_quantile(scores, level)


def covered(y: Floats, low: Floats, high: Floats) -> Floats:
    """(n,) 1 where low ≤ y ≤ high, else 0."""
    return ((low <= y) & (y <= high)).astype(np.float64)


def interval_score(y: Floats, low: Floats, high: Floats, level: float) -> Floats:
    """(n,) width plus 2/α times the miss, α = 1 − level (Gneiting & Raftery 2007); smaller is better."""
    alpha = 1.0 - level
    miss = np.maximum(low - y, 0) + np.maximum(y - high, 0)
    return np.asarray((high - low) + 2 / alpha * miss, dtype=np.float64)
