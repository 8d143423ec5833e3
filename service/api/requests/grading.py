"""The value of a request's instrument as it is graded, and what the specialist's adjustment makes of it."""

from __future__ import annotations

import datetime
from decimal import Decimal
from types import SimpleNamespace
from typing import Any, NamedTuple

import orjson
from sqlalchemy import Row

from models.domain.instrument import Instrument, Subject
from models.domain.money import BASE_CURRENCY, adjusted, round_money
from models.domain.vocabulary import DEFAULT_CHANNEL, DEFAULT_LEVELS
from models.valuation.valuer import Interval, Valuation, Valuer
from service.api.requests.access import request_of
from service.api.requests.schemas import dump_concluded
from service.api.values import services as values
from service.api.values.schemas import dump_attributions
from service.api.values.services import ValuationRequest
from service.context import bundle, context, today
from service.db.engine import reading


class GradedValue(NamedTuple):
    """The model's value, and apart from it what the specialist's adjustment adds and the concluded value."""

    valuation: Valuation
    difference: Decimal
    value: Decimal
    intervals: tuple[Interval, ...]

    @property
    def currency(self) -> str:
        """The currency of every amount."""
        return self.valuation.currency


def instrument_of(row: Row[Any]) -> Instrument:
    """Return the instrument as the specialist sees it, or else as the owner describes it."""
    return Instrument.from_nested(orjson.loads(row.graded or row.instrument))


def currency_of(row: Row[Any]) -> str:
    """Return the currency of a request: that of the adjustment, or of the price asked, or US dollars."""
    for text in (row.adjustment, row.asked):
        found = text and orjson.loads(text)["currency"]
        if found:
            return str(found)
    return BASE_CURRENCY


def valued(
    row: Row[Any],
    *,
    currency: str | None = None,
    channel: str = DEFAULT_CHANNEL,
    day: datetime.date | None = None,
) -> GradedValue:
    """Value a request's instrument, and adjust the value. Raises NoBundleError; InputError for a currency."""
    subject = Subject(instrument_of(row), day or today(), channel)
    found = values.value(ValuationRequest(subject, currency or currency_of(row), DEFAULT_LEVELS))
    adjustment = orjson.loads(row.adjustment) if row.adjustment else {}
    return concluded(found, adjustment, bundle().valuer)


def concluded(found: Valuation, adjustment: dict[str, Any], valuer: Valuer) -> GradedValue:
    """Adjust a value and its ranges. An amount in another currency is converted at the value's day."""
    share = adjustment.get("per_cent")
    amount = _amount(found, adjustment, valuer)

    def after(before: Decimal) -> Decimal:
        per_cent = None if share is None else Decimal(share)
        return adjusted(before, found.currency, amount=amount, per_cent=per_cent)

    value = after(found.value)
    ranges = tuple(Interval(one.level, after(one.low), after(one.high)) for one in found.intervals)
    return GradedValue(found, value - found.value, value, ranges)


def _amount(found: Valuation, adjustment: dict[str, Any], valuer: Valuer) -> Decimal | None:
    amount, currency = adjustment.get("amount"), adjustment.get("currency")
    if amount is None or currency == found.currency:
        return None if amount is None else Decimal(amount)
    rates = [valuer.rate(one, found.day) for one in (str(currency), found.currency)]
    return round_money(Decimal(amount) * Decimal(rates[0]) / Decimal(rates[1]), found.currency)


def shown_value(
    request_id: str, date: datetime.date | None, channel: str | None, currency: str | None
) -> dict[str, Any]:
    """Return the answer with a request's value. Raises UnknownRecordError."""
    with reading(context().engine) as connection:
        row = request_of(connection, request_id)
    found = valued(row, currency=currency, channel=channel or DEFAULT_CHANNEL, day=date)
    return {
        "graded": row.graded is not None,
        "instrument": found.valuation.instrument.to_nested(),
        "valuation": dump_attributions(found.valuation),
        "adjustment": row.adjustment and orjson.loads(row.adjustment),
        "concluded": dump_concluded(SimpleNamespace(**found._asdict(), currency=found.currency)),
    }
