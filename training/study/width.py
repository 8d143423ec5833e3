"""Learn a factor on the widths of ranges, from how many prices the ranges held of sales new to the fit."""

import math

import numpy as np

from models.study.judge import Judged

_LEAST_SALES = 100
_LEAST, _MOST = 0.95, 1.25
_PRIOR_SALES = 150.0  # Weight of the prior for a factor of 1, in sales.


def width_factor_of_few(judged: Judged) -> float:
    """Return the factor on the widths of ranges from cross-validated sales, however few; at least 1.

    The fit learns its spread with variances that have seen all sales, while these sales were valued by fits
    without them. Few sales can show that ranges are too narrow, but hardly that they are too wide.
    """
    return max(1.0, _factor(judged))


def width_factor(judged: Judged) -> float:
    """Return the factor that makes ranges of a model hold as many prices of later sales as they promise.

    For each level, a sale's error is divided by the distance from the value to the end of the range on the
    side of the price. The level's quantile of these ratios is 1 if the range is just right. The factor is the
    mean of these quantiles over the levels, in log, shrunk towards 1. Later sales show what the market does
    next, which cross-validation cannot. The factor is from 0.95 to 1.25, and 1 for fewer than 100 sales.
    """
    return _factor(judged) if len(judged.paid) >= _LEAST_SALES else 1.0


def _factor(judged: Judged) -> float:
    n = len(judged.paid)
    above = judged.paid > judged.center
    logs = []
    for k, level in enumerate(judged.levels):
        room = np.where(above, judged.high[:, k] - judged.center, judged.center - judged.low[:, k])
        # A range can end at the value itself, if all that blank fields may hide lies on one side. A price
        # beyond that end counts as infinitely far outside.
        share = np.full(n, np.inf)
        np.divide(np.abs(judged.paid - judged.center), room, out=share, where=room > 0)
        logs.append(math.log(float(np.quantile(share, level, method="higher"))))
    factor = math.exp(float(np.mean(logs)) * n / (n + _PRIOR_SALES))
    return min(max(factor, _LEAST), _MOST)
