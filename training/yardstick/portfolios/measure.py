"""The figures of one market: how many portfolios of its later sales bring a total inside their ranges."""

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np

from models.decisions.portfolios.draws import draw
from models.domain.instrument import Subject
from models.practice import shipped
from models.price.core.basis import Floats, Ints
from models.price.instruments.model import GuitarModel
from training.demo.market import Market, make_market
from training.demo.world.workshops import EVIDENCE_ENDS
from training.fit import fit_model

LEVEL = 0.9
SIZE, PORTFOLIOS = 200, 5  # The number of items of a portfolio, and of portfolios of a market.
_LATER = 1_000  # The number of later sales that portfolios are drawn from.
_EVERY = 20  # Days from one portfolio's day to the next one's; the first is the last day of the evidence.
SHARED, APART, ENDS = "shared", "apart", "ends"
PAID, TRUE = "paid", "true"

# Kind of market → (nature, number of closed sales).
KINDS: Mapping[str, tuple[str, int]] = {
    "house": ("house", 3000),
    "house-middle": ("house", 1000),
    "entangled-middle": ("entangled", 1000),
    "additive-middle": ("additive", 1000),
}


@dataclass(frozen=True)
class PortfolioFigures:
    """The figures of one market's portfolios; the keys of mappings are ways to make a range.

    `SHARED`: with the errors that items share. `APART`: as if no error were shared. `ENDS`: the sums of the
    items' own ends. `inside`: how many ranges hold what the items sold for; `inside_true`: how many hold the
    sum of their true values. `width`: the mean width, as a share of the expected total. `off`: for each
    portfolio the log of the expected total over what the items sold for.
    """

    kind: str
    seed: int
    seconds: float
    portfolios: int
    inside: Mapping[str, int]
    inside_true: Mapping[str, int]
    width: Mapping[str, float]
    off: Sequence[float]

    @classmethod
    def from_row(cls, row: Mapping[str, Any]) -> "PortfolioFigures":
        """The figures as JSON has them."""
        return cls(**row)

    @property
    def key(self) -> tuple[str, int]:
        """The market that was asked for."""
        return self.kind, self.seed


class _Apart:
    """A price model that says of no error that values share it."""

    def __init__(self, model: GuitarModel) -> None:
        self.estimate = model.estimate

    def loadings(self, subjects: Sequence[Subject]) -> Floats:
        return np.zeros((len(subjects), 1))


def measure(kind: str, seed: int) -> PortfolioFigures:
    """Make the market, fit on its evidence, and hold portfolios of its later sales against their ranges."""
    began, (nature, sales) = time.perf_counter(), KINDS[kind]
    market = make_market(seed, sales, nature, later=_LATER)
    model = fit_model(
        market.evidence, market.catalogue, market.rates, practice=shipped(), progress=False
    ).model
    found = [_judged(market, model, seed, place) for place in range(PORTFOLIOS)]
    ways = (SHARED, APART, ENDS)
    inside, inside_true = (
        {way: sum(one[way][0] <= one[true] <= one[way][1] for one in found) for way in ways}
        for true in (PAID, TRUE)
    )
    width = {
        way: float(np.mean([(one[way][1] - one[way][0]) / one["expected"] for one in found])) for way in ways
    }
    off = [float(np.log(one["expected"] / one[PAID])) for one in found]
    return PortfolioFigures(
        kind, seed, time.perf_counter() - began, PORTFOLIOS, inside, inside_true, width, off
    )


def _judged(market: Market, model: GuitarModel, seed: int, place: int) -> dict[str, Any]:
    """Return the ranges of one portfolio by each way, its expected total, and its true totals."""
    day = EVIDENCE_ENDS + timedelta(days=_EVERY * place)
    rng = np.random.default_rng([seed, place, 11])
    chosen = np.sort(rng.choice(len(market.holdout), SIZE, replace=False))
    subjects = [market.holdout[at].subject._replace(day=day) for at in chosen]
    together, estimate = np.zeros(SIZE, np.int64), model.estimate(subjects, [LEVEL])
    joint = draw(model, subjects, [together])
    apart = draw(_Apart(model), subjects, [together])  # type: ignore[arg-type]  # it asks for no more of a model
    return {
        SHARED: range_of(joint.totals[0][0]),
        APART: range_of(apart.totals[0][0]),
        ENDS: (float(np.exp(estimate.low).sum()), float(np.exp(estimate.high).sum())),
        "expected": float(joint.expected.sum()),
        **true_totals(market, chosen, day.toordinal()),
    }


def range_of(draws: Floats) -> tuple[float, float]:
    """Return the ends of the central range of `LEVEL`."""
    low, high = np.quantile(draws, [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    return float(low), float(high)


def true_totals(market: Market, chosen: Ints, day: int) -> dict[str, float]:
    """Return what the chosen later sales would bring on this day, and the sum of their true values then.

    A sale brings what it was sold for, moved by the market's true change from its day to this one.
    """
    events, at = market.events, chosen + len(market.evidence)
    model, channel, sold = events.specimens["model"][at], events.channel[at], events.day[at]
    truth = market.truth
    then = np.full(len(at), day)
    moved = truth.log_market(model, then, channel) - truth.log_market(model, sold, channel)
    paid = np.log([market.holdout[k].usd(market.rates) for k in chosen])
    return {
        PAID: float(np.exp(paid + moved).sum()),
        TRUE: float(np.exp(events.log_value[at] + moved).sum()),
    }
