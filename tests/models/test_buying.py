"""An offer from end to end, by the fake price model, whose prices and ranges can be checked by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

import numpy as np
import pytest
from fakes import CATALOGUE, RATES, FakePriceModel

from models.decisions.buying import Offer, PriceAsked, offer_for
from models.decisions.terms import OfferTerms
from models.domain.evidence import Evidence
from models.domain.evidence_snapshot import EvidenceSnapshot
from models.domain.instrument import Instrument, Subject
from models.errors import InputError
from models.price.interface import Estimate
from models.valuation.valuer import Valuer

D = Decimal
DAY = date(2026, 1, 2)
DAL = Subject(Instrument("Ostvik", "Dal"), DAY, "private")
RISK_ALONE = OfferTerms(D(0), D("0.2"))


def valuer(rows: Sequence[Evidence] = (), model: FakePriceModel | None = None) -> Valuer:
    return Valuer(model or FakePriceModel(), CATALOGUE, RATES, "v", EvidenceSnapshot.of(rows))


def offer(
    terms: OfferTerms = RISK_ALONE, subject: Subject = DAL, currency: str = "USD", **more: Any
) -> Offer:
    return offer_for(more.pop("by", valuer()), subject, terms, currency, **more)


def half_width(it: Instrument) -> float:
    """Half of the fake's range of all prices: 0.3, and a tenth of it more for each unknown field."""
    return 0.3 * (1 + sum(value is None for value in it[3:]) / 10)


def test_with_the_risk_as_the_only_term_the_most_to_pay_is_a_quantile_of_the_price() -> None:
    # The fake's log price is even over 8 ± h, so that a fifth of prices lie below exp(8 − 0.6 h).
    h = half_width(DAL.instrument)
    found = offer()
    assert float(found.ceiling.most_to_pay) == pytest.approx(math.exp(8 - 0.6 * h), rel=2e-3)
    assert found.ceiling.deal.chance_of_loss == pytest.approx(0.2)
    # And its mean is exp(8) · sinh(h) / h.
    assert float(found.expected_resale) == pytest.approx(math.exp(8) * math.sinh(h) / h, rel=5e-3)


def test_an_asked_price_is_set_against_it() -> None:
    found = offer(asked=PriceAsked(D("2980.96"), "USD")).asked  # exp(8), the median
    assert found is not None
    assert found.percentile == pytest.approx(50.0)
    assert found.deal.chance_of_loss == pytest.approx(0.5)
    own = offer()
    assert found.walk_away == own.ceiling.most_to_pay
    assert found.over == D("2980.96") - own.ceiling.most_to_pay
    assert found.deal.expected_profit == own.expected_resale - D("2980.96")
    assert found.by_value is None and found.by_sales is None


def test_an_asked_price_in_another_currency_is_converted() -> None:
    found = offer(asked=PriceAsked(D("1000"), "EUR"))  # 1.1 dollars a euro on that day
    assert found.asked is not None and found.asked.amount == D("1100.00")


def test_all_is_in_the_currency_of_the_offer() -> None:
    dollars, euros = offer(), offer(currency="EUR")
    assert float(euros.ceiling.most_to_pay) == pytest.approx(
        float(dollars.ceiling.most_to_pay) / 1.1, abs=0.02
    )
    assert euros.valuation.currency == "EUR"


def asked_at(share: float) -> list[Evidence]:
    price = D(round(math.exp(8) * share)).quantize(D("0.01"))
    it = DAL.instrument
    return [Evidence(f"A{n}", "asking", date(2025, 6, 1), price, "USD", "private", "", it) for n in range(5)]


def test_the_first_offer_leaves_the_room_that_sellers_leave() -> None:
    found = offer(by=valuer(asked_at(1.25)))
    assert found.room == pytest.approx(0.8, abs=1e-3)
    assert float(found.first.paid) == pytest.approx(0.8 * float(found.ceiling.most_to_pay), rel=1e-3)
    assert found.first.expected_profit > found.ceiling.deal.expected_profit


def test_without_evidence_of_askings_it_is_the_most_to_pay() -> None:
    found = offer()
    assert found.room is None and found.first.paid == found.ceiling.most_to_pay


def test_it_is_never_more_than_the_most_to_pay_or_than_is_asked() -> None:
    cheap = offer(by=valuer(asked_at(0.5)))  # askings below the value
    assert cheap.room == 1.0 and cheap.first.paid == cheap.ceiling.most_to_pay
    assert offer(asked=PriceAsked(D("100"), "USD")).first.paid == D("100")


def test_parts_are_put_right_before_the_resale_and_their_cost_is_work() -> None:
    modern = DAL.but(originality_pickups="modern")
    plain, mended = offer(subject=modern), offer(subject=modern, costs={"originality.pickups": D("240")})
    assert mended.terms.work == D("240")
    assert mended.valuation.instrument.originality_pickups == "period"
    (one,) = mended.mended
    assert (one.now, one.then, one.cost) == ("modern", "period", D("240"))
    # One step of a loss, a tenth in the log.
    assert float(mended.gain) == pytest.approx(float(plain.expected_resale) * math.expm1(0.1), rel=1e-3)
    assert mended.gain == mended.expected_resale - plain.expected_resale


@pytest.mark.parametrize("path", ["originality.pickups", "condition.neck", "nothing"])
def test_a_part_that_needs_no_repair_is_refused(path: str) -> None:
    with pytest.raises(InputError) as found:
        offer(costs={path: D(1)})
    assert [fault.field for fault in found.value.faults] == [f"costs.{path}"]


class Widening(FakePriceModel):
    """The fake, with ranges that widen with the days after its last evidence, and a level that rises."""

    def center(self, subjects: Sequence[Subject]) -> np.ndarray:
        return super().center(subjects) + np.array([(s.day - DAY).days / 1000 for s in subjects])

    def estimate(self, subjects: Sequence[Subject], levels: Sequence[float]) -> Estimate:
        found = super().estimate(subjects, levels)
        wider = np.array([[1 + (s.day - DAY).days / 365] for s in subjects])
        center = self.center(subjects)[:, None]
        return replace(
            found, low=center - (center - found.low) * wider, high=center + (found.high - center) * wider
        )


def test_the_range_is_that_of_the_resale_and_the_level_that_of_the_purchase() -> None:
    by = valuer(model=Widening())
    now, later = offer(by=by), offer(replace(RISK_ALONE, months_to_sell=D(12)), by=by)
    assert later.sold_on == date(2027, 1, 2)
    h = half_width(DAL.instrument)
    assert float(now.ceiling.most_to_pay) == pytest.approx(math.exp(8 - 0.6 * h), rel=2e-3)
    assert float(later.ceiling.most_to_pay) == pytest.approx(math.exp(8 - 0.6 * 2 * h), rel=3e-3)
    assert later.valuation.value == now.valuation.value


def test_not_knowing_has_a_price_where_the_risk_sets_it() -> None:
    found = offer()
    unsure = found.uncertainty
    assert set(unsure.unknown) >= {"serial", "condition.neck", "originality.finish"}
    assert unsure.if_known > found.ceiling.most_to_pay
    assert unsure.price == unsure.if_known - found.ceiling.most_to_pay
    # The typical instrument has losses that the fake counts and blanks that it does not.
    assert unsure.if_typical < unsure.if_known


def test_what_rests_on_the_condition_is_what_goes_without_it() -> None:
    worn = DAL.but(condition_neck=4.0)
    found = offer(subject=worn).uncertainty
    assert found.if_unseen == offer().ceiling.most_to_pay  # the neck is all that is said of the condition
    assert found.on_condition == offer(subject=worn).ceiling.most_to_pay - found.if_unseen < 0


def test_cautions_of_the_offer_stand_before_those_of_the_value() -> None:
    found = offer()
    assert [c.code for c in found.cautions[:3]] == [
        "offer_on_description",
        "offer_without_title",
        "offer_market_level",
    ]
    assert found.cautions[3:] == found.valuation.cautions
    assert "check title and theft registers before paying" in found.cautions[1].text
