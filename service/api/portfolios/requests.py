"""Read the request for a portfolio."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, NamedTuple

from marshmallow import Schema, ValidationError, post_load, validates_schema

from models.costs import MOST_HORIZON, MOST_ITEMS
from models.domain.money import BASE_CURRENCY
from models.domain.vocabulary import DEFAULT_LEVELS
from models.errors import Fault
from service.api.items.filter_schema import StockFilterSchema
from service.api.items.filters import read_stock_filter
from service.api.requests.bodies.members import ObjectField
from service.api.values.requests import CurrencyField, DayField, LevelsField, OwnField
from service.context import today
from service.faults import with_pointers
from service.http.schemas import CURRENCY, DAY, LEVELS
from service.inventory.records import LONGEST_STOCK_NUMBER

HELD = ("in_stock", "reserved")  # The statuses that count where a filter names none.
DEFAULT_HORIZON = 12


class PortfolioRequest(NamedTuple):
    """The items that are asked for, by a filter or by stock numbers, and what is to be said of them."""

    filters: Mapping[str, Any]
    stock_numbers: Sequence[str] | None
    currency: str
    levels: tuple[float, ...]
    months: int
    day: date


class StockNumbersField(OwnField):
    """A list of stock numbers."""

    def read(self, value: Any, faults: list[Fault]) -> list[str] | None:
        allowed = f"1 to {MOST_ITEMS:,} texts of 1 to {LONGEST_STOCK_NUMBER} characters"
        good = isinstance(value, list) and 0 < len(value) <= MOST_ITEMS
        if not good or not all(
            isinstance(one, str) and 0 < len(one) <= LONGEST_STOCK_NUMBER for one in value
        ):
            faults.append(Fault("stock_numbers", value, "is not a usable list", allowed, "or send a filter"))
            return None
        return list(dict.fromkeys(value))


class MonthsField(OwnField):
    """A number of months."""

    def read(self, value: Any, faults: list[Fault]) -> int | None:
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if number and 1 <= value <= MOST_HORIZON and value == int(value):  # 12.0 is 12 in JSON Schema
            return int(value)
        allowed = f"a whole number from 1 to {MOST_HORIZON}"
        quoted = isinstance(value, str) and value.isdecimal() and len(value) < 5
        step = f"send {value} without quotes" if quoted else "correct it or leave it out"
        faults.append(Fault("horizon_months", value, "is not a usable horizon", allowed, step))
        return None


class PortfolioRequestSchema(Schema):
    """A request for the value of many items: a filter or stock numbers, and how to say it."""

    filter = ObjectField(
        StockFilterSchema,
        read_stock_filter,
        allow_none=True,
        metadata={
            "description": "the items that are meant, by the filters of the list of items. Without a status "
            "those in stock and reserved count; without a filter or a list, all of these"
        },
    )
    stock_numbers = StockNumbersField(
        allow_none=True,
        metadata={
            "type": "array",
            "items": {"type": "string", "minLength": 1, "maxLength": LONGEST_STOCK_NUMBER},
            "minItems": 1,
            "maxItems": MOST_ITEMS,
            "description": "the items that are meant, in place of a filter, whatever their status",
        },
    )
    currency = CurrencyField(
        allow_none=True,
        metadata={
            "type": "string",
            **CURRENCY,
            "description": f"the currency (ISO 4217) of every amount; default: {BASE_CURRENCY}",
        },
    )
    levels = LevelsField(
        allow_none=True,
        metadata={
            "type": "array",
            **LEVELS,
            "description": "levels of the ranges, 0.8 for 80%; default: "
            + ", ".join(f"{level:g}" for level in DEFAULT_LEVELS),
        },
    )
    date = DayField(
        allow_none=True,
        metadata={"type": "string", **DAY, "description": "the day of the values; default: today"},
    )
    horizon_months = MonthsField(
        allow_none=True,
        metadata={
            "type": "integer",
            "minimum": 1,
            "maximum": MOST_HORIZON,
            "description": f"the months that the value at risk looks ahead; default: {DEFAULT_HORIZON}",
        },
    )

    @validates_schema
    def _one_of_both(self, data: Mapping[str, Any], **_: Any) -> None:
        if data.get("filter") is not None and data.get("stock_numbers") is not None:
            both = Fault("stock_numbers", None, "stands beside a filter", "", "send one of the two")
            raise ValidationError(list(with_pointers([both])), "stock_numbers")

    @post_load
    def _request(self, data: dict[str, Any], **_: Any) -> PortfolioRequest:
        return PortfolioRequest(
            {"status": list(HELD), **(data.get("filter") or {})},
            data.get("stock_numbers"),
            data.get("currency") or BASE_CURRENCY,
            data.get("levels") or DEFAULT_LEVELS,
            data.get("horizon_months") or DEFAULT_HORIZON,
            data.get("date") or today(),
        )
