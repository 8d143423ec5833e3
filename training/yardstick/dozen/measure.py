"""The figures of one market fitted with common practice or without it."""

import math
import time
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.practice import NO_PRACTICE, shipped
from models.price.interface import PriceModel
from models.study.intervals import covered
from models.study.judge import judge
from models.study.ratio import median_error
from training.demo.market import Market, make_market
from training.fit import fit_model
from training.yardstick.dozen.judged import (
    FAMILIES,
    LATER,
    TrueEffects,
    correlation,
    effects_of,
    judged_positions,
)
from training.yardstick.fresh.measure import median_ratio, scattered, score_of, squared

WITHOUT, WITH = "without", "with"
SIDES = (WITHOUT, WITH)

_FEW = (12, 25, 60, 120)  # numbers of closed sales, with twice as many askings and no offers
_MANY = (400, 3000)  # numbers of closed sales, with the market's usual askings and offers

# Kind of market → (nature, number of closed sales).
KINDS: Mapping[str, tuple[str, int]] = {
    **{f"{nature}-{n}": (nature, n) for nature in ("additive", "house") for n in (*_FEW, *_MANY)},
    **{f"contrary-{n}": ("contrary", n) for n in (60, 400)},
}


@dataclass(frozen=True)
class FitFigures:
    """The figures of one fit, judged on the `JUDGED` later sales of its market.

    `seconds`: processor time of the fit alone. `refused`: the reason for having no fit, "" for a fit.
    `figures`: name → figure, see `figures_of`. `contradicted`: the names of the rules of common practice
    that the evidence contradicts, by the fit's report; None where there was no fit.
    """

    kind: str
    seed: int
    side: str
    seconds: float
    refused: str
    figures: Mapping[str, float]
    contradicted: tuple[str, ...] | None

    @classmethod
    def from_row(cls, row: Mapping[str, Any]) -> "FitFigures":
        """Read the figures from their JSON object."""
        names = row["contradicted"]
        return cls(**{**row, "contradicted": None if names is None else tuple(names)})

    @property
    def key(self) -> tuple[str, int, str]:
        """The fit that was asked for."""
        return self.kind, self.seed, self.side


def market_of(nature: str, sales: int, seed: int) -> Market:
    """Make the market of this seed; few sales come with a beginner's mix of records, many with the usual."""
    if sales in _MANY:
        return make_market(seed, sales, nature, LATER)
    return make_market(seed, sales, nature, LATER, askings=2 * sales, offers=0)


def measure(kind: str, seed: int, side: str) -> FitFigures:
    """Make the market, fit on its evidence, and judge the fit on its later sales."""
    market = market_of(*KINDS[kind], seed)
    began = time.process_time()
    try:
        practice = shipped() if side == WITH else NO_PRACTICE
        fit = fit_model(market.evidence, market.catalogue, market.rates, progress=False, practice=practice)
    except ValueError as error:
        if "too few" not in str(error):
            raise
        return FitFigures(kind, seed, side, time.process_time() - began, str(error), {}, None)
    seconds = time.process_time() - began
    return FitFigures(kind, seed, side, seconds, "", figures_of(fit.model, market), contradicted(fit.report))


def contradicted(report: Mapping[str, Any]) -> tuple[str, ...]:
    """The names of the rules of practice that the evidence contradicts."""
    return tuple(rule["name"] for rule in report["practice"] if rule["contradicted"])


def figures_of(model: PriceModel, market: Market) -> dict[str, float]:
    """Return the figures of a price model on later sales of specimens that the evidence does not have.

    `rmse`, `rmse_true`: root mean square log error against prices and against true values. Both are about
    the errors' median, which takes out the market's later course; `rmse_whole`, against prices, leaves it
    in. `error`: median absolute error in per cent. `ratio`: median of value over price. `score`: interval
    score of the 90% range. `held_50` and so on: per cent of prices inside the range.

    For each family of fields, here rarity: `told rarity`: correlation of attributed with true effects, where
    the model is given every field; `kept rarity`: the same where it is given only the recorded fields;
    `off rarity`: root mean square difference of the effects in log, where it is given every field.
    """
    positions = judged_positions(market)
    sales = [market.holdout[position] for position in positions]
    judged = judge(model, sales, market.rates)
    truth = np.array([market.log_value[sale.id] for sale in sales])
    missed = judged.center - judged.paid
    held = 100 * covered(judged.paid[:, None], judged.low, judged.high).mean(axis=0)
    return {
        "rmse": math.sqrt(scattered(missed)),
        "rmse_true": math.sqrt(scattered(judged.center - truth)),
        "rmse_whole": math.sqrt(squared(missed)),
        "error": median_error(np.exp(judged.center), np.exp(judged.paid)),
        "ratio": median_ratio(missed),
        "score": score_of(judged),
        **{f"held_{100 * level:.0f}": float(h) for level, h in zip(judged.levels, held, strict=True)},
        **_reasons(model, TrueEffects(market, positions)),
    }


def _reasons(model: PriceModel, reasons: TrueEffects) -> dict[str, float]:
    found = {"told": effects_of(model, reasons.told), "kept": effects_of(model, reasons.recorded)}
    true = reasons.true([model.reference(subject) for subject in reasons.told])
    out = {f"{how} {one}": correlation(own[one], true[one]) for how, own in found.items() for one in FAMILIES}
    return out | {f"off {one}": math.sqrt(squared(found["told"][one] - true[one])) for one in FAMILIES}
