"""Prices lie lopsided around a value whose losses are not all known: most a little above, some far below.

The unknown losses of a row count together as one loss of two outcomes, which is heavy with the chance p, of
the variance and the skewness of their sum: third central moments of independent losses add up, as variances
do. Where the sum is hardly skewed, only a part of its variance is such a loss; the rest widens the scatter.
That part is the share ρ of scale². Around either outcome prices scatter as Student's t with 6 degrees of
freedom, brought to the variance that is left, as in the likelihood of `training.fit.spread.noise`. In scales:

F(x) = (1 − p) · T((x − a) / b) + p · T((x + c) / b),
b = √(1 − ρ), a = √(ρ p / (1 − p)), c = √(ρ (1 − p) / p)
"""

from __future__ import annotations

import math

import numpy as np

from models.price.core.basis import Floats

DEGREES_OF_FREEDOM = 6
RAREST = 0.005  # rarer outcomes are beyond every range
# The chance at which two outcomes have no excess kurtosis, where p (1 − p) = 1/6, and their skewness is −√2:
# nearer to a half they would lie apart as sums of losses do not.
COMMONEST = (1.0 - math.sqrt(1.0 / 3.0)) / 2.0
_LEAST_SKEWED = math.sqrt(2.0)
_SHARES, _MOST = 24, 0.95  # steps of the share, up to the largest; a larger one counts as that
_CHANCES = 32  # steps of the chance's logarithm
_FARTHEST, _HALVINGS = 100.0, 60  # scales within which a quantile is looked for, and how often that is halved


def heavy_of(variance: float, third: float) -> tuple[float, float]:
    """The variance of two outcomes, and the chance p of the heavy one, from moments of a sum of losses.

    Their skewness is −(1 − 2p) / √(p (1 − p)), solved for p. They have the third central moment of the sum,
    and its variance where that is skewed enough.
    """
    if third >= 0.0 or variance <= 0.0:
        return 0.0, COMMONEST
    skewness = third / (variance * math.sqrt(variance))
    if skewness >= -_LEAST_SKEWED:
        return variance * (-skewness / _LEAST_SKEWED) ** (2.0 / 3.0), COMMONEST
    return variance, max((1.0 + skewness / math.sqrt(skewness * skewness + 4.0)) / 2.0, RAREST)


def outcomes(variance: Floats, chance: Floats) -> tuple[Floats, Floats]:
    """The distance of the light outcome above the mean, and of the heavy one below it; of any one shape."""
    odds = chance / (1.0 - chance)
    return np.sqrt(variance * odds), np.sqrt(variance / odds)


def below(x: Floats, share: Floats, chance: Floats) -> Floats:
    """F(x), the probability of less than x scales above the middle; of any one shape."""
    above, under = outcomes(share, chance)
    left = np.sqrt(1.0 - share)
    light, heavy = _student((x - above) / left), _student((x + under) / left)
    return np.asarray(light + chance * (heavy - light))


def quantile(probability: Floats, share: Floats, chance: Floats) -> Floats:
    """The x with F(x) = probability, by halving; of any shapes that go together."""
    probability, share, chance = np.broadcast_arrays(probability, share, chance)
    low = np.full(probability.shape, -_FARTHEST)
    high = -low
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        less = below(middle, share, chance) < probability
        low, high = np.where(less, middle, low), np.where(less, high, middle)
    return np.asarray((low + high) / 2)


def straightened(x: Floats, share: Floats, chance: Floats) -> Floats:
    """The same probability's x were all losses known: T⁻¹(F(x)); of any one shape."""
    none = np.zeros(1)
    return quantile(below(x, share, chance), none, none + COMMONEST)


class Bends:
    """Ends of ranges by share and chance, straight between the nodes of a table.

    Rising ends stay in their order: each lies between those of its four nodes by the same weights.
    """

    def __init__(self, ends: Floats) -> None:
        """`ends`: (m,) in scales, as they are where all losses are known."""
        # One step more than is asked for, so that the last node too has one beyond it.
        shares = np.arange(_SHARES + 2, dtype=np.float64) * (_MOST / (_SHARES + 1))
        self._step = math.log(COMMONEST / RAREST) / _CHANCES
        chances = RAREST * np.exp(np.arange(_CHANCES + 2, dtype=np.float64) * self._step)
        none = np.zeros(1)
        nodes = quantile(below(ends, none, none + COMMONEST), shares[:, None, None], chances[:, None])
        # (shares, chances, 2, 2, m): the four nodes of a cell side by side, so that a row is one look.
        pairs = np.stack([nodes[:, :-1], nodes[:, 1:]], axis=2)
        cells = np.stack([pairs[:-1], pairs[1:]], axis=2)
        self._cells = cells.reshape(-1, *cells.shape[2:])

    def at(self, share: Floats, chance: Floats) -> Floats:
        """(n, m) the ends of rows of these (n,) shares and chances, in scales."""
        x = np.minimum(share, _MOST * _SHARES / (_SHARES + 1)) * ((_SHARES + 1) / _MOST)
        y = np.log(chance / RAREST) / self._step
        i, j = x.astype(np.int64), y.astype(np.int64)
        cell = self._cells.take(i * (_CHANCES + 1) + j, axis=0)
        by_share = cell[:, 0] + (x - i)[:, None, None] * (cell[:, 1] - cell[:, 0])
        return np.asarray(by_share[:, 0] + (y - j)[:, None] * (by_share[:, 1] - by_share[:, 0]))


def _student(x: Floats) -> Floats:
    """T(x) for 6 degrees of freedom, brought to variance 1 (Abramowitz and Stegun 1964, 26.7.4)."""
    t2 = x * x * (DEGREES_OF_FREEDOM / (DEGREES_OF_FREEDOM - 2))
    cos2 = DEGREES_OF_FREEDOM / (DEGREES_OF_FREEDOM + t2)
    sin = np.copysign(np.sqrt(1.0 - cos2), x)
    return np.asarray(0.5 + 0.5 * sin * (1.0 + cos2 * (0.5 + 0.375 * cos2)))
