"""How much wider or narrower ranges should be, by what later sales said of a twin."""

from __future__ import annotations

import math

import numpy as np

from models.study.judge import Judged

_LEAST_SALES = 100
_LEAST, _MOST = 0.95, 1.25
_PRIOR_SALES = 150.0  # the weight of no change at all, in sales


def width_factor_of_few(judged: Judged) -> float:
    """The same of sales left out by cross-validation, however few: never below 1.

    What the fit says of itself comes of variances that have seen all sales; these were fitted without. So few
    sales count for little against no change, and can show that ranges are too narrow, hardly the contrary.
    """
    return max(1.0, _factor(judged))


def width_factor(judged: Judged) -> float:
    """The factor on ranges with which the twin's would have held as many later sales as they promise.

    For each level: how far into its range sales lay at the level's own quantile (1: just right), averaged in
    log and shrunk towards no change. Cross-validation inside the fit cannot see what the market does next;
    this does. 1 for fewer than 100 sales.
    """
    return _factor(judged) if len(judged.paid) >= _LEAST_SALES else 1.0


def _factor(judged: Judged) -> float:
    n = len(judged.paid)
    above = judged.paid > judged.center
    logs = []
    for k, level in enumerate(judged.levels):
        room = np.where(above, judged.high[:, k] - judged.center, judged.center - judged.low[:, k])
        # A range ends at its value where what a blank may be lies all on one side: no room is too little.
        share = np.full(n, np.inf)
        np.divide(np.abs(judged.paid - judged.center), room, out=share, where=room > 0)
        logs.append(math.log(float(np.quantile(share, level, method="higher"))))
    factor = math.exp(float(np.mean(logs)) * n / (n + _PRIOR_SALES))
    return min(max(factor, _LEAST), _MOST)
