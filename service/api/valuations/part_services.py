"""Answers about a kept valuation, by the bundle that made it."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from models.alternatives import alternatives
from models.comparables import comparables
from models.errors import Fault, InputError
from models.market import market_index
from models.pictures import index_picture, span_picture, walk_picture
from service.api.parts.amounts import read_amount
from service.api.parts.case import Case
from service.api.parts.changes import Costs, WhatIf
from service.api.parts.parts import PARTS, alternative_entry, restoration_part
from service.api.valuations.stored import kept_case


def part(valuation_id: str, name: str) -> dict[str, Any]:
    """Answer with one of `PARTS` of a kept valuation."""
    case = kept_case(valuation_id)
    return {**_head(valuation_id, case), name: PARTS[name](case)}


def what_if(valuation_id: str, asked: WhatIf) -> dict[str, Any]:
    """Other states of the same instrument, beside the value that it has."""
    case = kept_case(valuation_id)
    wanted = case.request
    found = alternatives(
        case.valuer, wanted.subject, asked.changes, wanted.currency, asked.levels or wanted.levels
    )
    return {
        **_head(valuation_id, case),
        "value": str(case.valuation.value),
        "alternatives": [alternative_entry(alternative) for alternative in found],
    }


def put_right(valuation_id: str, costs: Costs) -> dict[str, Any]:
    """Weigh what can be put right against these costs.

    Raises FaultyRequestError for a cost of something that cannot be put right.
    """
    case = kept_case(valuation_id)
    costs.check(case.request.currency)
    try:
        found = restoration_part(case, costs.amounts)
    except InputError as error:
        raise costs.placed(error) from None
    return {**_head(valuation_id, case), "restoration": found}


def waterfall(valuation_id: str) -> str:
    """The picture from the reference value to the value, as SVG."""
    return walk_picture(kept_case(valuation_id).valuation, f"waterfall-{valuation_id}")


def intervals_chart(valuation_id: str, asking: Decimal | None) -> str:
    """The picture of the ranges with the comparables and a price that is asked, as SVG."""
    case = kept_case(valuation_id)
    found = comparables(case.valuer, case.request.subject, case.request.currency)
    return span_picture(case.valuation, found, asking, f"intervals-{valuation_id}")


def price_index(valuation_id: str) -> str:
    """The picture of the market of the valuation's model over time, as SVG."""
    case = kept_case(valuation_id)
    it = case.request.subject.instrument
    found = market_index(case.valuer, case.request.subject)
    return index_picture(found, f"{it.maker} {it.model}", f"price-index-{valuation_id}")


def read_asking(text: str) -> Decimal:
    """A price above 0. Raises InputError."""
    amount = read_amount(text)
    if amount:
        return amount
    allowed = "an amount above 0, such as 1250.00"
    raise InputError([Fault("asking", text, "is not a price", allowed, "correct it or leave it out")])


def _head(valuation_id: str, case: Case) -> dict[str, Any]:
    currency = case.request.currency
    rate = case.valuer.quote(currency, case.request.subject.day)
    return {
        "id": valuation_id,
        "model_version": case.valuer.version,
        "provisional": case.valuer.provisional,
        "currency": currency,
        "rate_day": rate.day,
        "rate_source": rate.source,
    }
