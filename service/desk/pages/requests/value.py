"""The value of one request as the page shows it: of the grades that are sent, saved or not."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from decimal import Decimal
from typing import Any, NamedTuple

import orjson
from marshmallow import RAISE

from models.domain.vocabulary import DEFAULT_CHANNEL
from models.insights.pictures import walk_picture
from service.api.parts.case import new_case
from service.api.parts.parts import include
from service.api.requests.grading import concluded
from service.api.values import services as values
from service.api.values.requests import ValuationRequestSchema
from service.api.values.schemas import dump_attributions
from service.desk import forms

_REQUEST = ValuationRequestSchema(unknown=RAISE)
_PARTS = ("comparables", "questions")


class PageMarket(NamedTuple):
    """The market and currency in which the page values; nothing of this is kept."""

    channel: str
    currency: str


class AskedPrice(NamedTuple):
    """The asked price against the value. `where`: in words; `share`: of the value, less one."""

    where: str
    share: float


def market_of(request: Mapping[str, Any]) -> PageMarket:
    """Return the market that the form names, else the usual one in the currency of the request."""
    adjustment, asked = request["adjustment"] or {}, request["asked"] or {}
    usual = adjustment.get("currency") or asked.get("currency") or "USD"
    return PageMarket(forms.text("channel") or DEFAULT_CHANNEL, forms.text("currency") or usual)


def valued(request: Mapping[str, Any], instrument: Mapping[str, Any], market: PageMarket) -> dict[str, Any]:
    """Return what the page says of the value. Raises FaultyRequestError, NoBundleError."""
    wanted = forms.loaded(_REQUEST, {"instrument": instrument, **market._asdict()})
    found = values.value(wanted)
    case = new_case(wanted, found)
    after = concluded(found, request["adjustment"] or {}, case.valuer)
    figures = dump_attributions(found)
    picture = base64.b64encode(walk_picture(found, "waterfall").encode()).decode()
    return {
        **figures,
        # As an answer would have them, so that pages and API say the same.
        **orjson.loads(orjson.dumps(include(case, _PARTS), default=str)),
        "picture": f"data:image/svg+xml;base64,{picture}",
        "after": {"value": after.value, "difference": after.difference, "intervals": after.intervals},
        "asked": _asked(request["asked"], figures),
    }


def _asked(asked: Mapping[str, Any] | None, figures: Mapping[str, Any]) -> AskedPrice | None:
    """Say where the asked price lies; None without one in the currency of the value."""
    if not asked or asked["currency"] != figures["currency"]:
        return None
    price = Decimal(asked["amount"])
    share = float(price / Decimal(figures["value"]) - 1)
    for one in sorted(figures["intervals"], key=lambda each: each["level"]):
        if Decimal(one["low"]) <= price <= Decimal(one["high"]):
            return AskedPrice(f"inside the {one['level']:.0%} range", share)
    side = "below" if share < 0 else "above"
    return AskedPrice(f"{side} the widest range", share)
