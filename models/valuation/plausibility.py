"""Records that are hardly believable: dated before the instrument was made, or priced far from its value.

Such a record is warned of, not refused: catalogues are incomplete, and a price model can be wrong. A person
decides.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import NamedTuple

from models.domain.catalogue import Catalogue
from models.domain.evidence import Evidence
from models.domain.instrument import Subject
from models.domain.money import Rates, round_money
from models.errors import RateError, UnknownNameError
from models.valuation.valuer import Valuer, money_of

# A price is warned of from this many times the expected one, and up to this part of it. Askings of two or
# three times the value are seen (common practice); a slip of the decimal point is tenfold.
FAR = 5
_SLACK = timedelta(days=1)  # a sale's day is in some local time zone, a valuation's day in UTC
_DECIDE = "Correct the record, or confirm it if it is right."


class RecordWarning(NamedTuple):
    """One reason to doubt a record: a code, the column concerned, and a sentence that says what to do."""

    code: str
    field: str
    message: str


@dataclass(frozen=True)
class GivenRange:
    """The answer of a valuation before a sale: its day, and the ends of its widest range in `currency`."""

    day: date
    currency: str
    low: Decimal
    high: Decimal


def warnings_of(
    records: Sequence[Evidence], catalogue: Catalogue, today: date, valuer: Valuer | None = None
) -> list[tuple[RecordWarning, ...]]:
    """Return the warnings on each record, in order.

    `catalogue`: spells the names of the records. `today`: the latest day that is not in the future.
    `valuer`: has the current price model; without it no price is doubted.
    """
    expected = [None] * len(records) if valuer is None else _expected(records, valuer)
    return [
        (*_on_date(e, catalogue, today), *_on_price(e, usd, valuer.rates if valuer else None))
        for e, usd in zip(records, expected, strict=True)
    ]


def outcome_warnings(sale: Evidence, given: GivenRange, rates: Rates) -> tuple[RecordWarning, ...]:
    """Return the warnings on a sale as the outcome of a valuation.

    A price outside the widest range is no reason by itself: it is what the study of past values lives on, and
    a fit without such sales would take its ranges for better than they are.
    """
    found = []
    if sale.day < given.day - _SLACK:
        text = (
            f"date: {sale.day} is before {given.day}, the day of the value; "
            f"an outcome is a sale on that day or later. {_DECIDE}"
        )
        found.append(RecordWarning("outcome_before_value", "date", text))
    try:
        change = rates.usd_per(given.currency, sale.day) / rates.usd_per(sale.currency, sale.day)
    except RateError:
        return tuple(found)  # without a rate the two amounts cannot be compared
    low, high = (float(end) * change for end in (given.low, given.high))
    if not low / FAR < float(sale.price) < high * FAR:
        usual = f"{_money(low, sale.currency)} to {_money(high, sale.currency)}"
        text = (
            f"price: {_price(sale)} is five times or more beyond the widest range of the valuation, "
            f"which was {usual}. {_DECIDE}"
        )
        found.append(RecordWarning("outcome_far_from_range", "price", text))
    return tuple(found)


def _on_date(e: Evidence, catalogue: Catalogue, today: date) -> Iterable[RecordWarning]:
    it = e.instrument
    made = it.year or catalogue.find(it.maker, it.model).first_year
    if e.day.year < made:
        whose = "the year of this instrument" if it.year else f"the first year of {it.model} in the catalogue"
        text = f"date: {e.day} is before {made}, {whose}; usual is a day in {made} or later. {_DECIDE}"
        yield RecordWarning("date_before_made", "date", text)
    if e.day > today:
        text = f"date: {e.day} is in the future; usual is a day up to {today}. {_DECIDE}"
        yield RecordWarning("date_in_future", "date", text)


def _expected(records: Sequence[Evidence], valuer: Valuer) -> list[float | None]:
    """Return the price in log US dollars that the price model expects of each record; None if it has none."""
    subjects = [_known(e.subject, valuer) for e in records]
    wanted = [subject for subject in subjects if subject is not None]
    centers = iter(valuer.model.center(wanted).tolist() if wanted else ())
    return [None if subject is None else next(centers) for subject in subjects]


def _known(subject: Subject, valuer: Valuer) -> Subject | None:
    try:
        return valuer.canonical(subject)
    except UnknownNameError:
        return None  # a model of instrument that joined the catalogue after the price model was fitted


def _on_price(e: Evidence, expected: float | None, rates: Rates | None) -> Iterable[RecordWarning]:
    if expected is None or rates is None:
        return
    try:
        rate = rates.usd_per(e.currency, e.day)
    except RateError:
        return  # the rates of the price model can be older than those that the record was read with
    apart = math.log(float(e.price) * rate) - expected
    if abs(apart) < math.log(FAR):
        return
    value = money_of(expected, rate, e.currency)
    how = "at least five times" if apart > 0 else "at most a fifth of"
    usual = f"{_money(float(value) / FAR, e.currency)} to {_money(float(value) * FAR, e.currency)}"
    text = (
        f"price: {_price(e)} is {how} the {_money(float(value), e.currency)} that the price model expects "
        f"for this instrument, day and channel; usual is {usual}. {_DECIDE}"
    )
    yield RecordWarning("price_high" if apart > 0 else "price_low", "price", text)


def _price(e: Evidence) -> str:
    return f"{e.price:,f} {e.currency}"


def _money(amount: float, currency: str) -> str:
    return f"{round_money(amount, currency):,f} {currency}"
