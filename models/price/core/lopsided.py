"""The skewed distribution of prices around a value with unknown losses: most a little above, some far below.

All unknown losses of a row count as one loss with two outcomes, light and heavy. It has the variance and the
skewness of their sum (third central moments of independent losses add up, as variances do), and p is the
chance of the heavy outcome. If the sum is hardly skewed, only a part of its variance is modelled by the two
outcomes; the other part widens the scatter. ρ is the variance of the two outcomes as a share of scale².
Around each outcome prices scatter as Student's t with 6 degrees of freedom, scaled to the remaining variance,
as in the likelihood of `training.fit.spread.noise`. In scales:

F(x) = (1 − p) · T((x − a) / b) + p · T((x + c) / b),
b = √(1 − ρ), a = √(ρ p / (1 − p)), c = √(ρ (1 − p) / p)
"""

import math

import numpy as np

from models.price.core.basis import Floats

DEGREES_OF_FREEDOM = 6
RAREST = 0.005  # Least chance of the heavy outcome; a rarer one would lie outside every range.
# Largest chance of the heavy outcome: p (1 − p) = 1/6, excess kurtosis 0, skewness −√2. With a chance nearer
# to a half the two outcomes would lie further apart than sums of losses do.
COMMONEST = (1.0 - math.sqrt(1.0 / 3.0)) / 2.0
_LEAST_SKEWED = math.sqrt(2.0)
# Steps of ρ in a table, and the ρ of its last node; a ρ above the last node but one counts as that node.
_SHARES, _MOST = 24, 0.95
_CHANCES = 32  # Number of steps of log p in a table.
_FARTHEST, _HALVINGS = 100.0, 60  # Quantiles are sought within this many scales, by this many halvings.


def heavy_of(variance: float, third: float) -> tuple[float, float]:
    """Return the variance of the two outcomes and the chance p of the heavy one.

    `variance`, `third`: central moments of the sum of the unknown losses. The skewness of two outcomes is
    −(1 − 2p) / √(p (1 − p)), which is solved for p. The outcomes get the third moment of the sum (unless p is
    held at `RAREST`), and all of its variance if the sum is skewed enough.
    """
    if third >= 0.0 or variance <= 0.0:
        return 0.0, COMMONEST
    skewness = third / (variance * math.sqrt(variance))
    if skewness >= -_LEAST_SKEWED:
        return variance * (-skewness / _LEAST_SKEWED) ** (2.0 / 3.0), COMMONEST
    return variance, max((1.0 + skewness / math.sqrt(skewness * skewness + 4.0)) / 2.0, RAREST)


def outcomes(variance: Floats, chance: Floats) -> tuple[Floats, Floats]:
    """Return how far the light outcome lies above the mean, and the heavy one below; arrays of one shape."""
    odds = chance / (1.0 - chance)
    return np.sqrt(variance * odds), np.sqrt(variance / odds)


def below(x: Floats, share: Floats, chance: Floats) -> Floats:
    """Return F(x), the probability of a price less than x scales above the middle; shapes must broadcast."""
    above, under = outcomes(share, chance)
    left = np.sqrt(1.0 - share)
    light, heavy = _student((x - above) / left), _student((x + under) / left)
    return np.asarray(light + chance * (heavy - light))


def quantile(probability: Floats, share: Floats, chance: Floats) -> Floats:
    """Return the x, in scales, with F(x) = probability, by bisection; shapes must broadcast."""
    probability, share, chance = np.broadcast_arrays(probability, share, chance)
    low = np.full(probability.shape, -_FARTHEST)
    high = -low
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        less = below(middle, share, chance) < probability
        low, high = np.where(less, middle, low), np.where(less, high, middle)
    return np.asarray((low + high) / 2)


def straightened(x: Floats, share: Floats, chance: Floats) -> Floats:
    """Map x to the equally probable x of a row without unknown losses: T⁻¹(F(x)); arrays of one shape."""
    none = np.zeros(1)
    return quantile(below(x, share, chance), none, none + COMMONEST)


class Bends:
    """A table of the ends of ranges by share ρ and chance p, for fast linear interpolation.

    Ends in ascending order stay so, because all ends of a row are interpolated by the same weights.
    """

    def __init__(self, ends: Floats) -> None:
        """Build the table. `ends`: (m,) ends of ranges of a row without unknown losses, in scales."""
        # The table has one more step, so that the last node too has a neighbour.
        shares = np.arange(_SHARES + 2, dtype=np.float64) * (_MOST / (_SHARES + 1))
        self._step = math.log(COMMONEST / RAREST) / _CHANCES
        chances = RAREST * np.exp(np.arange(_CHANCES + 2, dtype=np.float64) * self._step)
        none = np.zeros(1)
        nodes = quantile(below(ends, none, none + COMMONEST), shares[:, None, None], chances[:, None])
        # (shares, chances, 2, 2, m): the four nodes of a cell lie together, so that a row needs one lookup.
        pairs = np.stack([nodes[:, :-1], nodes[:, 1:]], axis=2)
        cells = np.stack([pairs[:-1], pairs[1:]], axis=2)
        self._cells = cells.reshape(-1, *cells.shape[2:])

    def at(self, share: Floats, chance: Floats) -> Floats:
        """Return the (n, m) ends, in scales, of rows with these (n,) shares and chances."""
        x = np.minimum(share, _MOST * _SHARES / (_SHARES + 1)) * ((_SHARES + 1) / _MOST)
        y = np.log(chance / RAREST) / self._step
        i, j = x.astype(np.int64), y.astype(np.int64)
        cell = self._cells.take(i * (_CHANCES + 1) + j, axis=0)
        by_share = cell[:, 0] + (x - i)[:, None, None] * (cell[:, 1] - cell[:, 0])
        return np.asarray(by_share[:, 0] + (y - j)[:, None] * (by_share[:, 1] - by_share[:, 0]))


def _student(x: Floats) -> Floats:
    """Return T(x), Student's distribution scaled to variance 1 (Abramowitz and Stegun 1964, 26.7.4)."""
    t2 = x * x * (DEGREES_OF_FREEDOM / (DEGREES_OF_FREEDOM - 2))
    cos2 = DEGREES_OF_FREEDOM / (DEGREES_OF_FREEDOM + t2)
    sin = np.copysign(np.sqrt(1.0 - cos2), x)
    return np.asarray(0.5 + 0.5 * sin * (1.0 + cos2 * (0.5 + 0.375 * cos2)))
