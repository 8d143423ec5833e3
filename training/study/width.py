"""Learn the factor on the width of ranges from how a holdout model's ranges held sales new to it."""

from __future__ import annotations

import math

import numpy as np

from models.study.judge import Judged

_LEAST_SALES = 100
_LEAST, _MOST = 0.95, 1.25
_PRIOR_SALES = 150.0  # the weight of no change at all, in sales


def width_factor_of_few(judged: Judged) -> float:
    """The factor on ranges by sales left out by cross-validation, however few: never below 1.

    The fit judges its own spread by variances that have seen all sales; these sales were judged by fits
    without them. So few weigh little against no change: they can show that ranges are too narrow, but hardly
    that they are too wide.
    """
    return max(1.0, _factor(judged))


def width_factor(judged: Judged) -> float:
    """The factor that makes the holdout model's ranges hold as many later sales as they promise.

    For each level, a sale's error is divided by the distance from the value to the end of the range on its
    side; the level's quantile of these ratios is 1 where the range is just right. The factor is their mean
    over the levels, in log, shrunk towards no change. Cross-validation inside the fit cannot see what the
    market does next; this does. It stays between 0.95 and 1.25, and is 1 for fewer than 100 sales.
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
