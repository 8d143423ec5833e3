"""The offer for an instrument: the most to pay, a first offer, and what an asked price means."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import NamedTuple

from models.decisions.askings import PriceShares, PriceTalk, price_talk
from models.decisions.offers import Ceiling, Deal, ceiling_of, deal_at, most_to_pay
from models.decisions.resale import LEVELS, Resale, months_after, resale_of
from models.decisions.terms import OfferTerms
from models.domain.instrument import Instrument, Subject, Value
from models.domain.money import Quote, round_money
from models.domain.vocabulary import BY_PATH, FIELDS, Family
from models.insights.restoration import repaired
from models.valuation.caution_texts import BESIDE, Caution
from models.valuation.valuer import Valuation, Valuer

_CONDITION = tuple(field for field in FIELDS if field.family is Family.CONDITION)
_CAUTIONS = tuple(
    Caution(code, BESIDE[code])
    for code in ("offer_on_description", "offer_without_title", "offer_market_level")
)


class PriceAsked(NamedTuple):
    """A price that is asked for the instrument, as it was sent; `channel`: the market it is asked in."""

    amount: Decimal
    currency: str
    channel: str | None = None


@dataclass(frozen=True)
class Mended:
    """A part that is put right before the resale, and its cost, which is part of the work."""

    field: str
    now: Value
    then: Value
    cost: Decimal


@dataclass(frozen=True)
class CameDown:
    """Prices in money that a share of records says (`models.decisions.askings.PriceShares`)."""

    shares: PriceShares
    low: Decimal
    median: Decimal
    high: Decimal


@dataclass(frozen=True)
class AskedSetAgainst:
    """An asked price, in the currency of the offer, set against the most to pay.

    `percentile`: per cent of resale prices below it. `over`: the asked price minus the most to pay.
    `came_down`: prices that it may come down to, by asking prices beside values and beside sales.
    """

    amount: Decimal
    percentile: float
    deal: Deal
    walk_away: Decimal
    over: Decimal
    by_value: CameDown | None
    by_sales: CameDown | None


@dataclass(frozen=True)
class Uncertainty:
    """The price of what is not known, as most to pay in other cases.

    `if_known`: with the range of an instrument of which all `unknown` fields are known, and the same expected
    resale price. `price`: `if_known` − the most to pay. `if_typical`: if the unknown fields are as on the
    typical instrument. `if_unseen`: if nothing is known of its condition. `on_condition`: the most to pay
    − `if_unseen`, which rests on the condition that was described; below 0 for one worse than usual.
    """

    unknown: tuple[str, ...]
    if_known: Decimal
    price: Decimal
    if_typical: Decimal
    if_unseen: Decimal
    on_condition: Decimal


@dataclass(frozen=True)
class Offer:
    """An offer. `valuation`: of the instrument as it is resold, all `mended` parts put right.

    `sold_on`: the day of the resale. `gain`: what the mended parts add to the expected resale price.
    `room`: the share of the most to pay that the first offer is; None where no evidence says how far prices
    come down.
    """

    valuation: Valuation
    terms: OfferTerms
    sold_on: date
    expected_resale: Decimal
    ceiling: Ceiling
    first: Deal
    room: float | None
    asked: AskedSetAgainst | None
    talk: PriceTalk
    declined: CameDown | None
    uncertainty: Uncertainty
    mended: tuple[Mended, ...]
    gain: Decimal
    cautions: tuple[Caution, ...]


class _Resales(NamedTuple):
    own: Resale
    known: Resale
    unseen: Resale
    before: Resale


def offer_for(
    valuer: Valuer,
    subject: Subject,
    terms: OfferTerms,
    currency: str,
    asked: PriceAsked | None = None,
    costs: Mapping[str, Decimal] | None = None,
) -> Offer:
    """Return the offer for a subject, on its day, to be resold in its channel. `costs`: parts to put right.

    Raises UnknownNameError, or InputError for a currency without a rate, or a part that needs no repair.
    """
    canonical = valuer.canonical(subject)
    mended = _mended(canonical.instrument, costs or {})
    resold = canonical.but(**{BY_PATH[one.field].flat: one.then for one in mended})
    paid_for = terms.with_work(sum((one.cost for one in mended), Decimal(0)))
    sold_on = months_after(subject.day, float(terms.months_to_sell))
    valuation = valuer.value(resold, currency)
    rate = valuer.quote(currency, subject.day)
    resales = _resales(valuer, valuation, canonical, resold, sold_on, rate)
    ceiling = ceiling_of(resales.own, paid_for, currency)
    talk = price_talk(valuer, resold, asked.channel if asked else None)
    amount = None if asked is None else _exchanged(valuer, asked, rate, currency, subject.day)
    room = None if talk.asked is None else min(talk.asked.median, 1.0)
    expected, before = (round_money(one.mean, currency) for one in (resales.own, resales.before))
    return Offer(
        valuation=valuation,
        terms=paid_for,
        sold_on=sold_on,
        expected_resale=expected,
        ceiling=ceiling,
        first=deal_at(resales.own, _first(ceiling, room, amount, currency), paid_for, currency),
        room=room,
        asked=None if amount is None else _against(resales.own, amount, ceiling, talk, paid_for, currency),
        talk=talk,
        declined=_down(talk.declined, valuation.value, currency),
        uncertainty=_uncertainty(resales, ceiling.most_to_pay, valuation.unknown, paid_for, currency),
        mended=mended,
        gain=expected - before,
        cautions=(*_CAUTIONS, *valuation.cautions),
    )


def _mended(it: Instrument, costs: Mapping[str, Decimal]) -> tuple[Mended, ...]:
    then = repaired(it, costs)
    return tuple(Mended(path, it.get(BY_PATH[path]), then[path], cost) for path, cost in costs.items())


def _resales(
    valuer: Valuer, valuation: Valuation, bought: Subject, resold: Subject, sold_on: date, rate: Quote
) -> _Resales:
    """Return the resale prices: as described, with all known as typical, the condition unknown, and unmended.

    The level is that of the day of the offer, and the width that of the day of the resale.
    """
    typical = valuation.reference
    known = resold.but(**{BY_PATH[path].flat: typical.get(BY_PATH[path]) for path in valuation.unknown})
    unseen = resold.but(**dict.fromkeys(field.flat for field in _CONDITION))
    later = [s._replace(day=sold_on) for s in (resold, known, unseen, bought)]
    centers = valuer.model.center([resold, known, unseen, bought]).tolist()
    found = valuer.model.estimate(later, LEVELS)
    return _Resales(*(resale_of(found, row, center, rate.usd) for row, center in enumerate(centers)))


def _exchanged(valuer: Valuer, asked: PriceAsked, rate: Quote, currency: str, day: date) -> Decimal:
    if asked.currency == currency:
        return asked.amount
    return round_money(float(asked.amount) * valuer.rate(asked.currency, day) / rate.usd, currency)


def _first(ceiling: Ceiling, room: float | None, asked: Decimal | None, currency: str) -> Decimal:
    """Return the first offer: the most to pay less the room that sellers leave, and no more than is asked."""
    first = round_money(ceiling.most_to_pay * Decimal(1.0 if room is None else room), currency)
    return first if asked is None else min(first, asked)


def _against(
    resale: Resale, asked: Decimal, ceiling: Ceiling, talk: PriceTalk, terms: OfferTerms, currency: str
) -> AskedSetAgainst:
    return AskedSetAgainst(
        amount=asked,
        percentile=100 * resale.below(float(asked)),
        deal=deal_at(resale, asked, terms, currency),
        walk_away=ceiling.most_to_pay,
        over=asked - ceiling.most_to_pay,
        by_value=_down(talk.asked, asked, currency),
        by_sales=_down(talk.sold, asked, currency),
    )


def _down(shares: PriceShares | None, amount: Decimal, currency: str) -> CameDown | None:
    if shares is None:
        return None
    parts = (round_money(amount * Decimal(s), currency) for s in (shares.low, shares.median, shares.high))
    return CameDown(shares, *parts)


def _uncertainty(
    resales: _Resales, most: Decimal, unknown: tuple[str, ...], terms: OfferTerms, currency: str
) -> Uncertainty:
    cases = (resales.known.around(resales.own.mean), resales.known, resales.unseen)
    known, typical, unseen = (most_to_pay(case, terms, currency)[0] for case in cases)
    return Uncertainty(unknown, known, known - most, typical, unseen, most - unseen)
