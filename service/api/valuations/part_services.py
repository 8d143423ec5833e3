"""Answers about a kept valuation, by the bundle that made it."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from models.errors import Fault, InputError
from models.insights.alternatives import alternatives
from models.insights.comparables import comparables
from models.insights.market import market_index
from models.insights.pictures import index_picture, span_picture, walk_picture
from service.api.parts.amounts import read_amount
from service.api.parts.changes import Costs, WhatIf
from service.api.parts.parts import PARTS, dump_alternatives, dump_part, find_restoration
from service.api.valuations.stored import kept_case


def part(valuation_id: str, name: str) -> dict[str, Any]:
    """Answer with one of `PARTS` of a kept valuation."""
    case = kept_case(valuation_id)
    return dump_part(valuation_id, case, name, PARTS[name].find(case))


def what_if(valuation_id: str, asked: WhatIf) -> dict[str, Any]:
    """Other states of the same instrument, beside the value that it has."""
    case = kept_case(valuation_id)
    wanted = case.request
    found = alternatives(
        case.valuer, wanted.subject, asked.changes, wanted.currency, asked.levels or wanted.levels
    )
    return dump_alternatives(valuation_id, case, found)


def put_right(valuation_id: str, costs: Costs) -> dict[str, Any]:
    """Weigh what can be put right against these costs.

    Raises FaultyRequestError for a cost of something that cannot be put right.
    """
    case = kept_case(valuation_id)
    costs.check(case.request.currency)
    try:
        found = find_restoration(case, costs.amounts)
    except InputError as error:
        raise costs.with_pointers(error) from None
    return dump_part(valuation_id, case, "restoration", found)


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
