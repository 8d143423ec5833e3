"""The query of a stock list: settings for all of its rows, or for the rows that do not state their own."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from models.domain.money import BASE_CURRENCY
from models.domain.vocabulary import CHANNEL_NAMES, DEFAULT_CHANNEL, DEFAULT_LEVELS
from models.errors import Fault, InputError
from models.tables.stocklist import Terms
from models.valuation.levels import check_levels
from service.api.values.requests import ChannelField, CurrencyField, DayField
from service.context import today
from service.http.queries import Query, checked
from service.http.schemas import CURRENCY, DAY, LEVELS


def _levels(text: str) -> tuple[float, ...]:
    try:
        return check_levels([float(part) for part in text.split(",")])
    except ValueError:
        wrong = Fault("levels", text, "is not numbers between commas", "such as 0.8,0.95")
        raise InputError([wrong]) from None


_DEFAULT = ",".join(f"{level:g}" for level in DEFAULT_LEVELS)
TERMS = (
    Query(
        "levels",
        f"levels of the ranges, separated by commas, 0.8 for 80%; default: {_DEFAULT}",
        {"type": "array", **LEVELS, "example": list(DEFAULT_LEVELS)},
        _levels,
    ),
    Query(
        "date",
        "the day of the value of rows that name none; default: today",
        {"type": "string", **DAY, "example": "2026-06-30"},
        checked(DayField().read),
    ),
    Query(
        "channel",
        f"the market of the value of rows that name none; default: {DEFAULT_CHANNEL}",
        {"type": "string", "enum": list(CHANNEL_NAMES)},
        checked(ChannelField().read),
    ),
    Query(
        "currency",
        f"the currency (ISO 4217) of rows that name none; default: {BASE_CURRENCY}",
        {"type": "string", **CURRENCY},
        checked(CurrencyField().read),
    ),
)


def terms_of(asked: Mapping[str, Any]) -> Terms:
    """Return the terms of a stock list that a query asks for."""
    return Terms(
        asked["date"] or today(),
        asked["channel"] or DEFAULT_CHANNEL,
        asked["currency"] or BASE_CURRENCY,
        asked["levels"] or DEFAULT_LEVELS,
    )
