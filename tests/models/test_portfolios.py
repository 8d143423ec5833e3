"""Portfolios of instruments whose prices are lognormal, so that totals can be worked out by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from statistics import NormalDist
from typing import Any

import numpy as np
import pytest
from fakes import CATALOGUE, RATES

from models.decisions.portfolios.draws import draw
from models.decisions.portfolios.horizon import History, moves_of
from models.decisions.portfolios.picture import portfolio_picture
from models.decisions.portfolios.portfolio import Holding, portfolio_of
from models.domain.instrument import Instrument, Subject
from models.practice.reliance import EVIDENCE_ALONE
from models.price.core.basis import Floats
from models.price.interface import Estimate, EvidenceWeight
from models.valuation.valuer import Valuer

DAY = date(2025, 6, 1)
DAL, FJELL = Instrument("Ostvik", "Dal"), Instrument("Ostvik", "Fjell 2")
ETOILE = Instrument("Séraphine & Fils", "Étoile")
TOGETHER = np.zeros(400, np.int64)
Z90 = 1.6448536  # the normal quantile of 95%, from a table


@dataclass
class Lognormal:
    """Each price is `median` · e to a normal error of sd `sd`; the part `shared` of it is the same for all.

    The market rises by `drift` in a month.
    """

    median: float = 1000.0
    sd: float = 0.2
    shared: float = 0.1
    drift: float = 0.0
    first_evidence: date | None = date(2015, 6, 1)
    last_evidence: date | None = DAY
    reliance: Any = EVIDENCE_ALONE

    def center(self, subjects: Sequence[Subject]) -> Floats:
        months = np.array([(s.day - DAY).days / (365.25 / 12) for s in subjects])
        return math.log(self.median) + self.drift * months

    def estimate(self, subjects: Sequence[Subject], levels: Sequence[float]) -> Estimate:
        center = self.center(subjects)
        half = np.array([[NormalDist().inv_cdf((1 + level) / 2) * self.sd for level in levels]] * len(center))
        weights = (EvidenceWeight("many", 20, 20.0),) * len(center)
        return Estimate(center, center[:, None] - half, center[:, None] + half, weights)

    def loadings(self, subjects: Sequence[Subject]) -> Floats:
        return np.full((len(subjects), 1), self.shared)

    def reference(self, subject: Subject) -> Subject:
        return subject


def subjects(count: int) -> list[Subject]:
    return [Subject(DAL, DAY, "dealer")] * count


def totals_of(model: Lognormal, count: int) -> Floats:
    return draw(model, subjects(count), [TOGETHER[:count]]).totals[0][0]  # type: ignore[arg-type]


def valuer_of(model: Lognormal) -> Valuer:
    return Valuer(model, CATALOGUE, RATES, "20250601T000000000Z-00000000")  # type: ignore[arg-type]


def test_one_item_keeps_its_own_range() -> None:
    low, high = np.quantile(totals_of(Lognormal(), 1), [0.05, 0.95])
    assert low == pytest.approx(1000 * math.exp(-Z90 * 0.2), rel=0.02)
    assert high == pytest.approx(1000 * math.exp(Z90 * 0.2), rel=0.02)


def test_where_blanks_let_more_prices_lie_above_the_value_the_mean_follows_the_ranges() -> None:
    class Blank(Lognormal):
        def estimate(self, subjects: Sequence[Subject], levels: Sequence[float]) -> Estimate:
            found = super().estimate(subjects, levels)
            low, high = np.minimum(found.low + 0.03, found.center[:, None]), found.high + 0.03
            return Estimate(found.center, low, high, found.weights)

    plain, blank = (draw(one, subjects(1), []) for one in (Lognormal(), Blank()))  # type: ignore[arg-type]
    assert blank.center == plain.center
    assert blank.expected == pytest.approx(plain.expected * math.exp(0.03), rel=1e-6)


def test_the_total_of_items_that_share_some_of_their_errors_by_hand() -> None:
    # Each: mean 1000 e^(.04/2), variance mean² (e^.04 − 1); each pair: covariance mean² (e^.01 − 1).
    found, mean = totals_of(Lognormal(sd=0.2, shared=0.1), 400), 1000 * math.exp(0.02)
    variance = 400 * mean**2 * (math.exp(0.04) - 1) + 400 * 399 * mean**2 * (math.exp(0.01) - 1)
    assert found.mean() == pytest.approx(400 * mean, rel=0.003)
    assert found.std() == pytest.approx(math.sqrt(variance), rel=0.04)


def test_without_shared_errors_the_width_falls_with_the_root_of_their_number() -> None:
    found = totals_of(Lognormal(sd=0.2, shared=0.0), 400)
    assert found.std() / found.mean() == pytest.approx(math.sqrt(math.exp(0.04) - 1) / 20, rel=0.05)


def test_items_that_share_nearly_all_errors_have_the_sums_of_their_ends() -> None:
    low, high = np.quantile(totals_of(Lognormal(sd=0.2, shared=0.2), 400), [0.05, 0.95])
    assert low == pytest.approx(400 * 1000 * math.exp(-Z90 * 0.2), rel=0.02)
    assert high == pytest.approx(400 * 1000 * math.exp(Z90 * 0.2), rel=0.02)


def test_the_range_of_two_hundred_holds_the_truth_where_that_of_independent_items_does_not() -> None:
    """300 portfolios of 200, each with an error of .05 for all its items; prices scatter by .2."""
    rng = np.random.default_rng(3)
    own = rng.normal(0, math.sqrt(0.2**2 - 0.05**2), (300, 200))
    true = 1000 * np.exp(rng.normal(0, 0.05, (300, 1)) + own).sum(axis=1)
    held = {}
    for name, shared in (("shared", 0.05), ("apart", 0.0)):
        low, high = np.quantile(totals_of(Lognormal(sd=0.2, shared=shared), 200), [0.05, 0.95])
        held[name] = float(((low <= true) & (true <= high)).mean())
    assert 0.86 <= held["shared"] <= 0.94
    assert held["apart"] < 0.5


def test_the_same_portfolio_gets_the_same_draws_and_groups_add_up_to_the_whole() -> None:
    parity = np.arange(300) % 2
    first, again = (
        draw(Lognormal(), subjects(300), [TOGETHER[:300], parity])  # type: ignore[arg-type]
        for _ in range(2)
    )
    assert (first.totals[0] == again.totals[0]).all()
    assert np.allclose(first.totals[1].sum(axis=0), first.totals[0][0], rtol=1e-12)


HOLDINGS = (
    [Holding(Subject(FJELL, DAY, "dealer"), date(2025, 5, 1), Decimal(600), Decimal(1200))] * 2
    + [Holding(Subject(DAL, DAY, "dealer"), date(2023, 6, 2), Decimal(700))]
    + [Holding(Subject(ETOILE, DAY, "dealer"))]
)


def test_the_worked_example_of_the_documents() -> None:
    """Four instruments of 1,000 with sd .2, of which .1 is shared: docs/portfolios.md has the arithmetic."""
    found = portfolio_of(valuer_of(Lognormal()), HOLDINGS, "USD", (0.9,), 12)
    assert found.total.value == Decimal("4000.00")
    # 4 · 1000 · e^(.2² / 2) = 4080.81, here by quantiles, to a quarter of a per cent
    assert float(found.total.expected) == pytest.approx(4080.81, rel=0.0025)
    # sd: 1020.20 · √(4 · (e^.04 − 1) + 12 · (e^.01 − 1)) = 1020.20 · √(.163243 + .120602) = 543.53
    interval = found.total.intervals[0]
    assert float(interval.high - interval.low) / (2 * Z90) == pytest.approx(543.53, rel=0.05)
    assert [(one.name, one.items, str(one.value)) for one in found.makers] == [
        (("Ostvik",), 3, "3000.00"),
        (("Séraphine & Fils",), 1, "1000.00"),
    ]
    assert {one.name: one.items for one in found.models} == {
        ("Ostvik", "Fjell 2"): 2,
        ("Ostvik", "Dal"): 1,
        ("Séraphine & Fils", "Étoile"): 1,
    }
    assert [(one.name[0], one.items, one.share) for one in found.ages] == [
        ("under_6_months", 2, pytest.approx(0.5)),
        ("1_to_2_years", 1, pytest.approx(0.25)),
        ("not_known", 1, pytest.approx(0.25)),
    ]
    cost, asking = found.total.cost, found.total.asking
    assert (cost.items, cost.amount, cost.value) == (3, Decimal("1900.00"), Decimal("3000.00"))
    assert (asking.items, asking.amount, asking.value) == (2, Decimal("2400.00"), Decimal("2000.00"))


def test_amounts_are_in_the_currency_asked_for() -> None:
    found = portfolio_of(valuer_of(Lognormal()), HOLDINGS, "EUR", (0.9,), 12)
    assert found.total.value == 4 * Decimal("800.00")  # 1.25 dollars a euro since 2020


def test_an_index_moves_as_it_did_by_hand() -> None:
    # Moves over two months: .02, .04, .06; their mean is .04, their variance .0008 / 3.
    index = np.array([0.0, 0.01, 0.02, 0.05, 0.08])
    # An error that grows by .01 a month is .02 after two months: its variance .0004 is added.
    loadings = np.array([[0.0], [0.01], [0.02], [0.03], [0.04]])
    drift, sd = moves_of(index, loadings, 2)
    assert drift == pytest.approx(0.04)
    assert sd == pytest.approx(math.sqrt(0.0008 / 3 + 0.0004))


def test_the_next_move_is_less_sure_than_those_before_by_hand() -> None:
    # Student's t with 4 degrees of freedom has its 95th percentile at 2.132 (a table); √(1 + 1/5) = 1.0954.
    history = History(12, DAY, DAY, 5.0, 0.03, 0.02, 1.0)
    assert np.quantile(history.moves(400_000), 0.95) == pytest.approx(0.03 + 0.02 * 1.0954 * 2.132, abs=5e-4)


def test_a_market_that_only_rises_leaves_the_risk_of_the_values_alone() -> None:
    found = portfolio_of(valuer_of(Lognormal(drift=0.005)), HOLDINGS, "USD", (0.9,), 12).value_at_risk
    assert (found.history.drift, found.history.windows) == (
        pytest.approx(0.06, abs=0.002),
        pytest.approx(10, abs=0.1),
    )
    first = found.losses[0]
    assert first.level == 0.9 and first.market == 0
    assert 0 < first.amount == pytest.approx(portfolio_total(found) - first.left, abs=Decimal("0.02"))
    amounts = [one.amount for one in found.losses]
    assert amounts == sorted(amounts) and len(set(amounts)) == 3


def portfolio_total(_: object) -> Decimal:
    return portfolio_of(valuer_of(Lognormal(drift=0.005)), HOLDINGS, "USD", (0.9,), 12).total.expected


@pytest.mark.parametrize(
    ("years", "horizon", "code", "losses"),
    [(1.5, 12, "market_history_too_short", 0), (5, 12, "market_history_short", 3), (10, 12, None, 3)],
)
def test_a_short_history_is_said(years: float, horizon: int, code: str | None, losses: int) -> None:
    model = Lognormal(first_evidence=DAY - timedelta(days=years * 366))
    found = portfolio_of(valuer_of(model), HOLDINGS, "USD", (0.9,), horizon)
    codes = {caution.code for caution in found.cautions}
    assert codes & {"market_history_too_short", "market_history_short"} == ({code} if code else set())
    assert len(found.value_at_risk.losses) == losses


def test_the_picture_shows_each_maker_and_says_the_total_in_words() -> None:
    found = portfolio_of(valuer_of(Lognormal()), HOLDINGS, "USD", (0.5, 0.9), 12)
    picture = portfolio_picture(found)
    assert picture.startswith("<svg") and "Séraphine &amp; Fils Étoile" in picture
    assert f"Expected total ${round(found.total.expected):,}" in picture
    assert "style=" not in picture  # a page's content security policy would drop it
