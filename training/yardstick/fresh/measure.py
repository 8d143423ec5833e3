"""The figures of one market: three models from one fit, judged on its later sales."""

import time
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.price.core.basis import Floats
from models.study.groups import groupings
from models.study.intervals import covered, interval_score
from models.study.judge import SCORE_LEVEL, Judged, judge
from models.study.ratio import median_error, prb, prd
from training.demo.market import Market, make_market
from training.demo.world.workshops import EVIDENCE_ENDS
from training.yardstick.fresh.rivals import fit_rivals

ALONE, RAW, THIS, TRUTH = "alone", "raw", "this", "truth"

_LEAST_LATER = 500  # least number of later sales: a sixth of 400, as by default, would be too few to judge by

# Kind of market → (nature, number of closed sales).
KINDS: Mapping[str, tuple[str, int]] = {
    "additive": ("additive", 3000),
    "entangled": ("entangled", 3000),
    "woven": ("woven", 3000),
    "knotted": ("knotted", 3000),
    "house": ("house", 3000),
    "additive-small": ("additive", 400),
    "entangled-small": ("entangled", 400),
    "entangled-large": ("entangled", 15000),
}


@dataclass(frozen=True)
class MarketFigures:
    """The figures of one market; a mapping's keys are models (`ALONE`, `RAW`, `THIS`) and `TRUTH`.

    `squares`: mean squared log error; `scatter`: the same about the errors' median, which takes out the
    market's later course. `error`: median absolute error in per cent. `score`: interval score of the range of
    `SCORE_LEVEL`. `ratio`: median of value over price. `ratio_then`: the same for values on the evidence's
    last day, and prices without the market's true change since. `prd`, `prb`: bias by price, as in a ratio
    study. `weight`: the weight of the trees in a value. `inside`: group ("" is all sales) → its number of
    sales, then the number of prices inside the range of each level of `DEFAULT_LEVELS`.
    """

    kind: str
    seed: int
    seconds: float
    squares: Mapping[str, float]
    scatter: Mapping[str, float]
    error: Mapping[str, float]
    score: Mapping[str, float]
    ratio: Mapping[str, float]
    ratio_then: Mapping[str, float]
    prd: Mapping[str, float]
    prb: Mapping[str, float]
    weight: Mapping[str, float]
    inside: Mapping[str, tuple[int, ...]]

    @classmethod
    def from_row(cls, row: Mapping[str, Any]) -> "MarketFigures":
        """The figures as JSON has them."""
        return cls(**{**row, "inside": {name: tuple(counts) for name, counts in row["inside"].items()}})

    @property
    def key(self) -> tuple[str, int]:
        """The market that was asked for."""
        return self.kind, self.seed


def measure(kind: str, seed: int) -> MarketFigures:
    """Make the market, fit on its evidence, and judge the three models on its later sales."""
    began, (nature, sales) = time.perf_counter(), KINDS[kind]
    market = make_market(seed, sales, nature, later=max(sales // 6, _LEAST_LATER))
    rivals = fit_rivals(market)
    this = judge(rivals.this, market.holdout, market.rates)
    alone = judge(rivals.alone, market.holdout, market.rates)
    subjects = [sale.subject for sale in market.holdout]
    centers = {ALONE: alone.center, RAW: rivals.raw_center(subjects), THIS: this.center}
    then = [subject._replace(day=EVIDENCE_ENDS) for subject in subjects]
    centers_then = {ALONE: rivals.alone.center(then), THIS: rivals.this.center(then)}
    truth = np.array([market.log_value[sale.id] for sale in market.holdout])
    both = {THIS: this.center, TRUTH: truth}
    paid, trees = this.paid, rivals.this.core.trees
    unmoved = paid - moved(market)
    return MarketFigures(
        kind,
        seed,
        time.perf_counter() - began,
        squares={name: squared(c - paid) for name, c in centers.items()},
        scatter={name: scattered(c - paid) for name, c in centers.items()},
        error={name: median_error(np.exp(c), np.exp(paid)) for name, c in centers.items()},
        score={ALONE: score_of(alone), THIS: score_of(this)},
        ratio={name: median_ratio(centers[name] - paid) for name in (ALONE, THIS)},
        ratio_then={name: median_ratio(c - unmoved) for name, c in centers_then.items()},
        prd={name: prd(np.exp(c), np.exp(paid)) for name, c in both.items()},
        prb={name: prb(np.exp(c), np.exp(paid)) for name, c in both.items()},
        weight={RAW: rivals.raw.weight, THIS: trees.weight if trees else 0.0},
        inside=inside(this),
    )


def moved(market: Market) -> Floats:
    """Return, per later sale, the true change of its maker's market since the evidence's last day, in log."""
    events, first = market.events, len(market.evidence)
    rows = slice(first, first + len(market.holdout))
    model, day, channel = events.specimens["model"][rows], events.day[rows], events.channel[rows]
    then = np.full(len(day), EVIDENCE_ENDS.toordinal())
    truth = market.truth
    return truth.log_market(model, day, channel) - truth.log_market(model, then, channel)


def squared(errors: Floats) -> float:
    """Return the mean square of the errors."""
    return float((errors**2).mean())


def scattered(errors: Floats) -> float:
    """Return the mean square of the errors about their median."""
    return squared(errors - np.median(errors))


def median_ratio(errors: Floats) -> float:
    """Return the median of value over price, from log errors."""
    return float(np.exp(np.median(errors)))


def score_of(judged: Judged) -> float:
    """Return the mean interval score of the ranges at `SCORE_LEVEL`."""
    k = judged.levels.index(SCORE_LEVEL)
    return float(interval_score(judged.paid, judged.low[:, k], judged.high[:, k], SCORE_LEVEL).mean())


def inside(judged: Judged) -> dict[str, tuple[int, ...]]:
    """Return group → its number of sales, then the number of prices inside the range of each level."""
    masks = {"": np.ones(len(judged.paid), bool)}
    for grouping, groups in groupings(judged.sales, np.exp(judged.center), judged.weights).items():
        masks |= {f"{grouping}: {group}": mask for group, mask in groups.items()}
    hits = covered(judged.paid[:, None], judged.low, judged.high)
    return {name: (int(m.sum()), *(int(k) for k in hits[m].sum(axis=0))) for name, m in masks.items()}
