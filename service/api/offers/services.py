"""Make an offer, by this request's bundle."""

from __future__ import annotations

from typing import Any

from models.decisions.buying import offer_for
from models.decisions.terms import OfferTerms
from models.errors import InputError
from service.api.offers.requests import OfferRequest
from service.api.offers.schemas import dump_offer
from service.api.offers.terms import kept_terms
from service.context import bundle, context
from service.errors import FaultyRequestError
from service.faults import with_pointers


def make(wanted: OfferRequest) -> dict[str, Any]:
    """Return the answer with the offer; nothing is kept. Raises FaultyRequestError."""
    valuer, currency = bundle().valuer, wanted.currency
    wanted.costs.check(currency)
    _check_rates(wanted)
    terms = _terms(wanted)
    try:
        found = offer_for(valuer, wanted.subject, terms, currency, wanted.asked, wanted.costs.amounts)
    except InputError as error:
        raise wanted.costs.with_pointers(error) from None
    context().figures.valued(found.valuation.evidence.word)
    return dump_offer(found)


def _check_rates(wanted: OfferRequest) -> None:
    """Raise FaultyRequestError if a currency has no rate on the day of the purchase."""
    currencies = {
        "currency": wanted.currency,
        **({"asked.currency": wanted.asked.currency} if wanted.asked else {}),
    }
    for path, code in currencies.items():
        try:
            bundle().valuer.quote(code, wanted.subject.day)
        except InputError as error:
            (fault,) = error.faults
            named = type(fault)(path, fault.value, fault.problem, fault.allowed, fault.step)
            raise FaultyRequestError(with_pointers([named])) from None


def _terms(wanted: OfferRequest) -> OfferTerms:
    """Return the terms of the request, or the kept ones with amounts in its currency."""
    if wanted.terms is not None:
        return wanted.terms
    terms, currency = kept_terms(wanted.terms_name or "")
    if currency == wanted.currency:
        return terms
    valuer, day = bundle().valuer, wanted.subject.day
    try:
        factor = valuer.rate(currency, day) / valuer.rate(wanted.currency, day)
    except InputError as error:
        (fault,) = error.faults
        step = "name terms in another currency, or send terms"
        named = type(fault)(
            "terms_name", wanted.terms_name, f"is in {currency}, which {fault.problem}", "", step
        )
        raise FaultyRequestError(with_pointers([named])) from None
    return terms.exchanged(factor, wanted.currency)
