"""One record of the market: a closed sale, a price asked or an offer declined; how it is read and written."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from functools import partial
from typing import Any

import numpy as np

from models.costs import LONGEST_PRICE, LONGEST_SOURCE
from models.domain.catalogue import Catalogue
from models.domain.cells import EARLIEST, last_day, read_currency, read_day, read_id, read_term
from models.domain.instrument import Described, Instrument, Subject, read_flat, read_nested
from models.domain.money import Rates
from models.domain.names import ALIKE, nearest
from models.domain.vocabulary import BY_FLAT, CHANNEL_NAMES, KIND_NAMES
from models.errors import Fault, InputError, RateError

# The columns of an evidence file that describe the record, not the instrument, in their published order.
OWN_COLUMNS = ("id", "kind", "date", "price", "currency", "channel", "source")
EVIDENCE_COLUMNS: tuple[str, ...] = (*OWN_COLUMNS, *BY_FLAT)
REQUIRED_COLUMNS: tuple[str, ...] = (*OWN_COLUMNS[:-1], "maker", "model")

# The members of a record in JSON: the same names, and the instrument as an object under "instrument".
MEMBERS = (*OWN_COLUMNS, "instrument")

# A price outside these limits, in US dollars, is taken for a typing error.
LEAST_USD, MOST_USD = 0.01, 1e8


@dataclass(frozen=True, slots=True)
class Evidence:
    """One accepted record. `price`: as paid, asked or offered, in `currency`, without tax and shipping."""

    id: str
    kind: str
    day: date
    price: Decimal
    currency: str
    channel: str
    source: str
    instrument: Instrument

    @property
    def subject(self) -> Subject:
        """The record's instrument, day and channel, as a subject that can be valued."""
        return Subject(self.instrument, self.day, self.channel)

    def usd(self, rates: Rates) -> float:
        """Return the price in US dollars at the rate of the record's day. Raises RateError."""
        return float(self.price) * rates.usd_per(self.currency, self.day)

    @property
    def specimen(self) -> str:
        """A key that all records of one instrument share; one without a serial number has its own."""
        return self.instrument.specimen or self.id

    def own(self) -> dict[str, str]:
        """Return the columns that do not describe the instrument (`OWN_COLUMNS`), as text."""
        day, price = self.day.isoformat(), str(self.price)
        texts = (self.id, self.kind, day, price, self.currency, self.channel, self.source)
        return dict(zip(OWN_COLUMNS, texts, strict=True))

    def to_flat(self) -> dict[str, str]:
        """Return the CSV form, column → text; fields that are not known are empty."""
        return {**self.own(), **self.instrument.to_flat()}

    def to_nested(self) -> dict[str, Any]:
        """Return the JSON form; fields of the instrument that are not known are left out."""
        return {**self.own(), "instrument": self.instrument.to_nested()}

    @classmethod
    def from_flat(
        cls, row: Mapping[str, str | None], catalogue: Catalogue, rates: Rates, *, today: date | None = None
    ) -> "Evidence":
        """Read the CSV form, with names spelled as in the catalogue.

        `today`: the latest day that is accepted. Raises InputError with every fault of the row.
        """
        faults: list[Fault] = []
        cells = {name: (row.get(name) or "").strip() for name in OWN_COLUMNS}
        it = _instrument(read_flat, row, catalogue, faults)
        return cls._read(cells, it, rates, today or last_day(), faults)

    @classmethod
    def from_nested(
        cls, data: Mapping[str, Any], catalogue: Catalogue, rates: Rates, *, today: date | None = None
    ) -> "Evidence":
        """Read the JSON form by the rules of `from_flat`; a price may be a number or text.

        Raises InputError whose faults name the member by its path: `price`, `instrument.condition.neck`.
        """
        if not isinstance(data, Mapping):
            raise InputError([Fault("row", type(data).__name__, "is not an object", "a JSON object")])
        faults = [_stranger(name, value) for name, value in data.items() if name not in MEMBERS]
        cells = {name: _cell(name, data.get(name), faults) for name in OWN_COLUMNS}
        inner: list[Fault] = []
        it = _instrument(read_nested, data.get("instrument", {}), catalogue, inner)
        for fault in inner:
            path = "instrument" if fault.field == "instrument" else f"instrument.{fault.field}"
            faults.append(replace(fault, field=path))
        return cls._read(cells, it, rates, today or last_day(), faults)

    @classmethod
    def _read(
        cls, cells: Mapping[str, str], it: Instrument, rates: Rates, today: date, faults: list[Fault]
    ) -> "Evidence":
        wrong = {fault.field for fault in faults}  # A member of the wrong type gets no second fault.
        heard: list[Fault] = []
        day = read_day(cells["date"], heard, latest=today)
        price = _price(cells["price"], heard)
        currency = read_currency(cells["currency"], rates.currencies, heard)
        if day and currency and price is not None:
            _check_amount(cells["price"], currency, day, rates, heard)
        found = cls(
            read_id(cells["id"], heard),
            read_term("kind", cells["kind"], KIND_NAMES, heard),
            day or EARLIEST,
            price or Decimal(0),
            currency,
            read_term("channel", cells["channel"], CHANNEL_NAMES, heard),
            _source(cells["source"], heard),
            it,
        )
        heard = [fault for fault in heard if fault.field not in wrong]
        if heard or faults:
            raise InputError([*heard, *faults])
        return found


_NOBODY = Instrument("", "")


def _instrument(
    reader: Callable[[Any], Described], given: Any, catalogue: Catalogue, faults: list[Fault]
) -> Instrument:
    try:
        return catalogue.read(reader, given).instrument
    except InputError as error:
        faults.extend(error.faults)
        return _NOBODY


def _stranger(name: str, value: Any) -> Fault:
    near = partial(nearest, name, MEMBERS, 1, ALIKE)
    return Fault(name, value, "is not a field of a record", ", ".join(MEMBERS), "leave it out", near)


def _cell(name: str, value: Any, faults: list[Fault]) -> str:
    """Return a member of the JSON form as the text of the matching CSV cell."""
    if value is None:
        return ""
    if name == "price" and isinstance(value, int | float) and not isinstance(value, bool):
        return str(value)
    if isinstance(value, str):
        return value.strip()
    faults.append(Fault(name, value, "is not text", "text", "put it between quotes"))
    return ""


def _source(text: str, faults: list[Fault]) -> str:
    """Return the text on one line without control characters, which not every database can hold."""
    if len(text) > LONGEST_SOURCE:
        faults.append(Fault("source", text, "is too long", f"at most {LONGEST_SOURCE:,} characters"))
        return ""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


AMOUNT = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,2})?", re.ASCII)


def _price(cell: str, faults: list[Fault]) -> Decimal | None:
    allowed = "a number above 0"
    if len(cell) > LONGEST_PRICE:
        faults.append(Fault("price", cell, "is too long", f"at most {LONGEST_PRICE} characters"))
        return None
    if not AMOUNT.fullmatch(cell):
        step = "write digits and a decimal point only, as 1200.50, with the currency in its own column"
        faults.append(Fault("price", cell, "is not a number" if cell else "is required", allowed, step))
        return None
    price = Decimal(cell)
    if price <= 0:
        faults.append(Fault("price", cell, "is not above 0", allowed, "correct it or leave the row out"))
        return None
    return price


def _check_amount(cell: str, currency: str, day: date, rates: Rates, faults: list[Fault]) -> None:
    try:
        usd = float(cell) * rates.usd_per(currency, day)
    except RateError as error:
        near = _nearest_quoted(currency, day, rates)
        step = f"its nearest quoted day is {near.isoformat()}" if near else "use another currency"
        faults.append(Fault("currency", currency, f"cannot be converted: {error}", "", step))
        return
    if not LEAST_USD <= usd <= MOST_USD:
        allowed = f"{LEAST_USD} to {MOST_USD:,.0f} US dollars"
        faults.append(Fault("price", cell, "is absurd for an instrument", allowed, "check its decimal point"))


def _nearest_quoted(currency: str, day: date, rates: Rates) -> date | None:
    quotes = rates.usd[currency]
    quoted = rates.days[~np.isnan(quotes)]
    if not len(quoted):
        return None
    return date.fromordinal(int(quoted[abs(quoted - day.toordinal()).argmin()]))
