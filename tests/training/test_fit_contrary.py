"""A market whose truth is the opposite of the trade's is learnt as the opposite: nothing is wired in."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pytest

from models.domain.instrument import Subject
from models.domain.vocabulary import FIELDS, Family
from training.demo.market import Market, make_market
from training.demo.world.natures import WEAR_COST
from training.fit import fit_model

# Of condition and originality, what costs in this market as it does in the trade.
SHARED = [
    f.flat
    for f in FIELDS
    if f.family in (Family.CONDITION, Family.ORIGINALITY) and f.flat not in (*WEAR_COST, "originality_finish")
]


@dataclass(frozen=True)
class Learnt:
    market: Market
    effects: Mapping[str, float]  # flat field → mean log effect from the reference specimen
    gap: Callable[[Mapping[str, object], Mapping[str, object]], float]  # mean log ratio of one to the other
    error: float  # root mean square distance from the true log value


@pytest.fixture(scope="module")
def learnt() -> Learnt:
    market = make_market(6, 600, "contrary")
    model = fit_model(market.evidence, market.catalogue, market.rates, progress=False).model
    later = [row.subject for row in market.holdout]
    truth = np.array([market.log_value[row.id] for row in market.holdout])
    effects = model.effects(later, [model.reference(s) for s in later]).mean(axis=0)

    def gap(one: Mapping[str, object], other: Mapping[str, object]) -> float:
        first, second = ([_but(s, changes) for s in later] for changes in (one, other))
        return float((model.center(first) - model.center(second)).mean())

    return Learnt(
        market,
        {f.flat: float(effects[n]) for n, f in enumerate(FIELDS)},
        gap,
        float(np.sqrt(((model.center(later) - truth) ** 2).mean())),
    )


def _but(subject: Subject, changes: Mapping[str, object]) -> Subject:
    return subject.but(**changes)  # type: ignore[arg-type]


def test_a_prototype_is_worth_less_where_the_market_says_so(learnt: Learnt) -> None:
    build = learnt.gap({"build": "prototype"}, {"build": "production"})
    # The trade says ln 2.5 to ln 4 = +.9 to +1.4; this market says ln .6 = −.51.
    assert -0.8 < build < -0.25


def test_refinish_and_wear_cost_next_to_nothing_where_the_market_says_so(learnt: Learnt) -> None:
    """The trade says ln .5 to ln .6 = −.7 to −.5 for a refinish, ln .5 to ln .65 for one worn all over."""
    refinish = learnt.gap({"originality_finish": "refinished"}, {"originality_finish": "original"})
    worn, clean = (dict.fromkeys(WEAR_COST, grade) for grade in (4.0, 1.0))
    wear = learnt.gap(worn, clean)
    assert -0.06 < refinish <= 0
    assert -0.03 < wear <= 0


def test_what_the_market_shares_with_the_trade_is_learnt_as_it_is(learnt: Learnt) -> None:
    market = learnt.market
    later = [market.ids.index(row.id) for row in market.holdout]
    found = sum(learnt.effects[flat] for flat in SHARED)
    true = float(np.sum([market.effects[flat][later] for flat in SHARED], axis=0).mean())
    assert true < -0.06
    assert found == pytest.approx(true, abs=0.02)
    assert learnt.error < 0.16
