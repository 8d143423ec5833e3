"""Make answers about a kept valuation, with the bundle that made it."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from models.domain.money import amount_step
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
    """Return the answer with one part of a kept valuation. `name`: one of `PARTS`."""
    case = kept_case(valuation_id)
    return dump_part(valuation_id, case, name, PARTS[name].find(case))


def what_if(valuation_id: str, asked: WhatIf) -> dict[str, Any]:
    """Return the answer with the values of the same instrument in other states."""
    case = kept_case(valuation_id)
    wanted = case.request
    found = alternatives(
        case.valuer, wanted.subject, asked.changes, wanted.currency, asked.levels or wanted.levels
    )
    return dump_alternatives(valuation_id, case, found)


def put_right(valuation_id: str, costs: Costs) -> dict[str, Any]:
    """Return the answer that compares what each repair adds to the value with its cost.

    Raises FaultyRequestError for a cost of a field that cannot be repaired.
    """
    case = kept_case(valuation_id)
    costs.check(case.request.currency)
    try:
        found = find_restoration(case, costs.amounts)
    except InputError as error:
        raise costs.with_pointers(error) from None
    return dump_part(valuation_id, case, "restoration", found)


def waterfall(valuation_id: str) -> str:
    """Return the chart of the steps from the reference value to the value, as SVG."""
    return walk_picture(kept_case(valuation_id).valuation, f"waterfall-{valuation_id}")


def intervals_chart(valuation_id: str, asking: Decimal | None) -> str:
    """Return the chart of the ranges with the comparables and an asking price, as SVG."""
    case = kept_case(valuation_id)
    found = comparables(case.valuer, case.request.subject, case.request.currency)
    return span_picture(case.valuation, found, asking, f"intervals-{valuation_id}")


def price_index(valuation_id: str) -> str:
    """Return the chart of the market of the instrument's model over time, as SVG."""
    case = kept_case(valuation_id)
    it = case.request.subject.instrument
    found = market_index(case.valuer, case.request.subject)
    return index_picture(found, f"{it.maker} {it.model}", f"price-index-{valuation_id}")


def read_asking(text: str) -> Decimal:
    """Read an asking price above 0. Raises InputError."""
    amount = read_amount(text)
    if amount:
        return amount
    allowed = "an amount above 0, such as 1250.00"
    raise InputError([Fault("asking", text, "is not a price", allowed, amount_step(text))])
