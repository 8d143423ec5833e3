"""The variance of a value and of a difference of two values: what both share adds none to a difference."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from plain import Plain

from models.price.core.backbone import Backbone, Block, loss_of
from models.price.core.basis import Levels, Linear, Unknown
from models.price.core.core import Core
from models.price.core.posterior import compressed
from models.price.core.spread import Moments, Noise, Spread
from models.price.evaluator.encoding import Row
from models.price.evaluator.evaluator import Evaluator

Floats = NDArray[np.float64]
# Design columns: maker a, b, unknown, unseen | size | wear slope | wear unknown | tone slope | intercept
BLOCKS = (
    Block("maker", (Levels("maker", ("a", "b")),)),
    Block("size", (Linear("size", 0.0, 1.0),)),
    Block("wear", (Linear("wear", 0.0, 2.0),), loss_of("condition")),
    Block("wear unknown", (Unknown("wear"),), loss_of("condition")),
    Block("tone", (Linear("tone", 0.0, 1.0),), loss_of("condition")),
)
THETA = np.array([0.3, -0.3, 0.0, 0.0, 0.2, 0.4, 0.1, 0.25])
CAP = 2.0
ENCODING = Plain(
    {"maker": "a", "size": 0.0, "wear": 0.0, "tone": 0.0},
    losses=("wear", "tone"),
    curved=frozenset({"size"}),
    typical=("size",),
    may_be={"size": [(0.0, 0.5), (1.0, 0.5)]},
)


@pytest.fixture(scope="module")
def covariance() -> Floats:
    """The covariance of the nine coefficients after 40 made-up observations."""
    rng = np.random.default_rng(3)
    x = rng.normal(size=(40, 9))
    return np.asarray(np.linalg.inv(np.diag(1 / SD**2) + x.T @ x / 0.1))


SD = np.array([0.5, 1.0, 2.0, 0.3, 1.0, 0.7, 0.4, 0.6, 3.0])


@pytest.fixture(scope="module")
def evaluator(covariance: Floats) -> Evaluator:
    noise = Noise(math.log(0.04), {}, (), 8.0, 1.0)
    spread = Spread(
        noise,
        1.5,
        {"wear": Moments(0.04, 0.0), "tone": Moments(0.01, 0.0)},
        0.0,
        0.0,
        0.0,
        np.array([-1.0, 0.0, 1.0]),
    )
    posterior = compressed(covariance, np.arange(9), SD, most=9)
    return Evaluator(Core(Backbone(BLOCKS, THETA, 8.0, CAP), None, posterior, spread), ENCODING)


def slopes(maker: str, size: float, wear: float | None, tone: float) -> Floats:
    """(9,) ∂ log value / ∂ coefficient by hand: losses count minus the slope of the cap."""
    loss = (0.1 if wear is None else 0.4 * wear / 2) + 0.25 * tone
    fall = -math.exp(-loss / CAP)
    known = 0.0 if wear is None else wear / 2
    level = [float(maker == "a"), float(maker == "b"), 0.0, 0.0, size]
    return np.array([*level, fall * known, fall * (wear is None), fall * tone, 1.0])


PAIRS = [
    (("a", 0.0, 0.0, 0.0), ("b", 0.0, 0.0, 0.0)),
    (("a", 0.7, 2.0, 1.0), ("a", -1.2, 1.0, 2.0)),
    (("b", 0.7, 2.0, 0.0), ("a", 0.7, 2.0, 1.0)),
]


def row(maker: str, size: float | None, wear: float | None, tone: float | None) -> Row:
    return ENCODING.row(maker=maker, size=size, wear=wear, tone=tone)


@pytest.mark.parametrize(("one", "other"), PAIRS)
def test_the_variance_of_a_difference_is_that_of_the_difference_of_slopes(
    evaluator: Evaluator, covariance: Floats, one: tuple[object, ...], other: tuple[object, ...]
) -> None:
    apart = slopes(*one) - slopes(*other)  # type: ignore[arg-type]
    expected = 1.5 * apart @ covariance @ apart
    (found,) = evaluator.difference_variance([row(*one)], [row(*other)])  # type: ignore[arg-type]
    assert found == pytest.approx(expected, rel=1e-3)


def test_the_range_of_a_value_adds_up_all_that_is_not_known(evaluator: Evaluator, covariance: Floats) -> None:
    """The 50% range of the shape −1, 0, 1 ends a whole scale from the middle of what a blank may be."""
    for wear, size, unknown, shift, mixture in ((1.0, 0.5, 0.0, 0.0, 0.0), (None, None, 0.04, 0.1, 0.01)):
        slope = slopes("b", size or 0.0, wear, 1.0)
        loss = (0.1 if wear is None else 0.4 * wear / 2) + 0.25
        center = 8 - 0.3 + 0.2 * (size or 0.0) - CAP * (1 - math.exp(-loss / CAP))
        scale = math.sqrt(0.04 + 1.5 * slope @ covariance @ slope + unknown + mixture)
        found = evaluator.ranges([row("b", size, wear, 1.0)], [0.5])
        assert found.center == pytest.approx([center], abs=1e-12)
        ends = [found.low[0, 0], found.high[0, 0]]
        assert ends == pytest.approx([center + shift - scale, center + shift + scale], rel=1e-5)
        assert found.effective == pytest.approx([0.04 / (slope @ covariance @ slope)], rel=1e-3)


def test_the_noise_of_a_sale_counts_what_is_not_known_of_it_and_not_what_is_not_known_of_its_value(
    evaluator: Evaluator,
) -> None:
    rows = [row("a", 0.0, 0.0, 0.0), row("a", 0.0, None, 0.0), row("a", None, None, 0.0)]
    assert evaluator.noise_variance(rows) == pytest.approx([0.04, 0.04 + 0.04, 0.04 + 0.04 + 0.01])


def test_what_both_share_is_not_in_it(evaluator: Evaluator) -> None:
    same = row("b", 1.0, 1.0, 1.0)
    assert evaluator.difference_variance([same], [same]) == pytest.approx([0.0], abs=1e-12)
    unknown = row("a", None, None, 0.0)
    assert evaluator.difference_variance([unknown], [unknown]) == pytest.approx([0.0], abs=1e-12)


def test_a_field_that_only_one_of_two_does_not_know_counts_once(
    evaluator: Evaluator, covariance: Floats
) -> None:
    apart = slopes("a", 0.0, None, 0.0) - slopes("a", 0.0, 0.0, 0.0)
    (found,) = evaluator.difference_variance([row("a", 0.0, None, 0.0)], [row("a", 0.0, 0.0, 0.0)])
    assert found == pytest.approx(1.5 * apart @ covariance @ apart + 0.04, rel=1e-3)


def test_a_blank_of_the_level_counts_with_the_variance_of_what_it_may_be(evaluator: Evaluator) -> None:
    """A size of 0 or 1, each as likely: an effect of 0 or .2, of variance .01. It counts as the usual 0."""
    (found,) = evaluator.difference_variance([row("a", None, 0.0, 0.0)], [row("a", 0.0, 0.0, 0.0)])
    assert found == pytest.approx(0.01, abs=1e-9)


def test_a_single_other_stands_beside_every_row(evaluator: Evaluator) -> None:
    rows = [row(*one) for one, _ in PAIRS]  # type: ignore[arg-type]
    alone = row("b", 0.3, 1.0, 0.0)
    found = evaluator.difference_variance(rows, [alone])
    assert (found == evaluator.difference_variance(rows, [alone] * 3)).all() and (found > 0).all()
    with pytest.raises(ValueError):
        evaluator.difference_variance(rows, [alone] * 2)


def test_the_covariance_of_several_values_is_that_of_their_slopes(
    evaluator: Evaluator, covariance: Floats
) -> None:
    given = [one for one, _ in PAIRS]
    slope = np.array([slopes(*one) for one in given])  # type: ignore[arg-type]
    found = evaluator.covariance([row(*one) for one in given])  # type: ignore[arg-type]
    assert found == pytest.approx(1.5 * slope @ covariance @ slope.T, rel=1e-3)


def test_loadings_give_the_covariance_of_values_and_the_drift_that_all_share(covariance: Floats) -> None:
    """Two rows of a day half a year after the evidence, whose market drifts by a variance of .02 a year."""
    noise = Noise(math.log(0.04), {}, (), 8.0, 1.0)
    spread = Spread(noise, 1.5, {}, -2.0, -0.5, 0.02, np.array([-1.0, 0.0, 1.0]))
    posterior = compressed(covariance, np.arange(9), SD, most=9)
    evaluator = Evaluator(Core(Backbone(BLOCKS, THETA, 8.0, CAP), None, posterior, spread), ENCODING)
    both = [("a", 0.7, 2.0, 1.0), ("b", 0.7, 2.0, 0.0)]
    slope = np.array([slopes(*one) for one in both])
    expected = 1.5 * slope @ covariance @ slope.T + 0.02 * 0.5
    loadings = evaluator.loadings([row(*one) for one in both])
    assert loadings @ loadings.T == pytest.approx(expected, rel=1e-3)
