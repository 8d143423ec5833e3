"""Joint draws of what many instruments would bring, so that errors which they share do not average out.

The price of item i in draw k lies at the quantile Φ(z) of the item's own distribution, the one from which
its ranges are served. z = λᵢ·eₖ / sᵢ + √(1 − |λᵢ|² / sᵢ²) · wᵢₖ: λᵢ are the loadings of the errors that
values share (`PriceModel.loadings`), sᵢ is the standard deviation of the item's log
price, and eₖ and wᵢₖ are standard normal. So each z is standard normal, every item keeps its served ranges,
and the log prices of items i and j have about the covariance λᵢ·λⱼ (a Gaussian copula: Sklar 1959; Li 2000).
Draws come in pairs of opposite signs. No matrix of items by items is made.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import NormalDist
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.domain.instrument import Subject
from models.price.core.basis import Floats, Ints
from models.price.interface import PriceModel

# The number of draws, and that of a large portfolio, with the number of items from which on it is large.
DRAWS, FEWER_DRAWS, LARGE = 2_000, 1_000, 5_000
_SEED = 20_261_128
_AT_ONCE = 128  # Items drawn together.
_STEP = 0.25
# Quantiles of an item are known at −2.5, −2.25, …, 2.5 standard normal deviations. What lies beyond them, and
# so beyond the range of 98.8%, counts as the last of them: there lie mistakes of records (a wrong currency).
_HALF = 10
_LEVELS = tuple(2 * NormalDist().cdf(_STEP * at) - 1 for at in range(1, _HALF + 1))
_NODES = _STEP * np.arange(-_HALF, _HALF + 1)
_EDGES = [NormalDist().cdf(_STEP * (at + 0.5)) for at in range(-_HALF, _HALF)]
_WEIGHTS = np.diff([0.0, *_EDGES, 1.0])  # The probability of each node's neighbourhood.
_MOST_SHARED = 0.98  # The most that shared errors can have of an item's variance.


class Distribution(NamedTuple):
    """The distributions of n log prices. `center`: (n,) values. `quantiles`: (n, nodes).

    `sd`: (n,) their standard deviations. `expected`: (n,) mean prices, not in log.
    """

    center: Floats
    quantiles: Floats
    sd: Floats
    expected: Floats


def distribution(model: PriceModel, subjects: Sequence[Subject]) -> Distribution:
    """Return the distributions of the subjects' log prices in US dollars, by their served ranges."""
    found = model.estimate(subjects, _LEVELS)
    # Blanks never add to a value, so that more than half of prices can lie above it: the median of prices is
    # where the ranges lie around.
    middle = np.maximum(found.center, (found.low[:, 0] + found.high[:, 0]) / 2)
    quantiles = np.concatenate([found.low[:, ::-1], middle[:, None], found.high], axis=1)
    mean = quantiles @ _WEIGHTS
    sd = np.sqrt(((quantiles - mean[:, None]) ** 2) @ _WEIGHTS)
    return Distribution(found.center, quantiles, sd, np.exp(quantiles) @ _WEIGHTS)


class Joint(NamedTuple):
    """The sums of each group of several partitions of the items, in US dollars.

    `center`: (n,) each item's value, in log. `expected`: (n,) its mean price. `totals`: for each partition
    (groups, draws).
    """

    center: Floats
    expected: Floats
    totals: tuple[Floats, ...]


def draw(model: PriceModel, subjects: Sequence[Subject], partitions: Sequence[Ints]) -> Joint:
    """Draw the prices of n ≥ 1 subjects of one day together, and add them up by group.

    `partitions`: each (n,) numbers of groups from 0. The same subjects in the same order give the same draws.
    """
    half = (DRAWS if len(subjects) <= LARGE else FEWER_DRAWS) // 2
    rng = np.random.default_rng(_SEED)
    totals = [np.zeros((int(own.max()) + 1, 2 * half)) for own in partitions]
    centers, expected, shared = [], [], np.zeros((0, half), np.float32)
    for start in range(0, len(subjects), _AT_ONCE):
        some = subjects[start : start + _AT_ONCE]
        own, loadings = distribution(model, some), model.loadings(some)
        if not len(shared):
            shared = rng.standard_normal((loadings.shape[1], half), np.float32)
        prices = np.exp(_log_prices(own, loadings, shared, rng))
        for total, groups in zip(totals, partitions, strict=True):
            np.add.at(total, groups[start : start + _AT_ONCE], prices)
        centers.append(own.center)
        expected.append(own.expected)
    return Joint(np.concatenate(centers), np.concatenate(expected), tuple(totals))


def _log_prices(
    own: Distribution, loadings: Floats, shared: NDArray[np.float32], rng: np.random.Generator
) -> Floats:
    """Return (n, draws) log prices; the second half of the draws has the opposite signs of the first."""
    variance = (loadings**2).sum(axis=1)
    kept = np.sqrt(np.minimum(1.0, _MOST_SHARED * own.sd**2 / np.maximum(variance, 1e-12)))
    common = (loadings * (kept / own.sd)[:, None]).astype(np.float32) @ shared
    alone = np.sqrt(np.maximum(1.0 - kept**2 * variance / own.sd**2, 0.0))
    z = common + alone[:, None].astype(np.float32) * rng.standard_normal(common.shape, np.float32)
    return _at(own.quantiles, np.concatenate([z, -z], axis=1))


def _at(quantiles: Floats, z: Floats) -> Floats:
    """Return (n, draws) quantiles at standard normal deviations, linear between the nodes."""
    place = np.clip((z - _NODES[0]) / _STEP, 0.0, len(_NODES) - 1.0)
    left = np.minimum(place.astype(np.int64), len(_NODES) - 2)
    share = place - left
    rows = np.arange(len(z))[:, None]
    low, high = quantiles[rows, left], quantiles[rows, left + 1]
    return np.asarray(low + share * (high - low), np.float64)
