"""One record of the market: a closed sale, a price asked or an offer declined."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

import numpy as np

from models.catalogue import Catalogue
from models.cells import EARLIEST, read_day, read_id, read_term
from models.errors import Fault, InputError, RateError
from models.instrument import Instrument, Subject
from models.money import Rates
from models.names import nearest
from models.vocabulary import BY_FLAT, CHANNEL_NAMES, KIND_NAMES

# The columns of the contract, in its order; only `source` may be missing from a file.
OWN_COLUMNS = ("id", "kind", "date", "price", "currency", "channel", "source")
EVIDENCE_COLUMNS: tuple[str, ...] = (*OWN_COLUMNS, *BY_FLAT)
REQUIRED_COLUMNS: tuple[str, ...] = (*OWN_COLUMNS[:-1], "maker", "model")

# No instrument was ever sold for more, nor for so little: such a price is a slip of the pen.
LEAST_USD, MOST_USD = 0.01, 1e8


@dataclass(frozen=True, slots=True)
class Evidence:
    """One accepted row. `price` is in `currency`, as paid, asked or offered, without tax and shipping."""

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
        """The same specimen, day and channel as something to value."""
        return Subject(self.instrument, self.day, self.channel)

    def to_flat(self) -> dict[str, str]:
        """The CSV form; what is not known is empty."""
        own = (
            self.id,
            self.kind,
            self.day.isoformat(),
            str(self.price),
            self.currency,
            self.channel,
            self.source,
        )
        return {**dict(zip(OWN_COLUMNS, own, strict=True)), **self.instrument.to_flat()}

    @classmethod
    def from_flat(
        cls, row: Mapping[str, str | None], catalogue: Catalogue, rates: Rates, *, today: date | None = None
    ) -> Evidence:
        """Read the CSV form, spelled as the catalogue has it. `today`: the last day that is not the future.

        Raises InputError with every fault of the row: unknown names, terms, currencies and fields' values.
        """
        faults: list[Fault] = []
        cells = {name: (row.get(name) or "").strip() for name in OWN_COLUMNS}
        day = read_day(cells["date"], faults, latest=today or date.today())
        price = _price(cells["price"], faults)
        currency = _currency(cells["currency"], rates, faults)
        if day and currency and price is not None:
            _check_amount(cells["price"], currency, day, rates, faults)
        found = cls(
            read_id(cells["id"], faults),
            read_term("kind", cells["kind"], KIND_NAMES, faults),
            day or EARLIEST,
            price or Decimal(0),
            currency,
            read_term("channel", cells["channel"], CHANNEL_NAMES, faults),
            " ".join(cells["source"].split()),
            _instrument(row, catalogue, faults),
        )
        if faults:
            raise InputError(faults)
        return found


_NOBODY = Instrument("", "")


def _instrument(row: Mapping[str, str | None], catalogue: Catalogue, faults: list[Fault]) -> Instrument:
    try:
        return catalogue.canonical(Instrument.from_flat(row))
    except InputError as error:
        faults.extend(error.faults)
        return _NOBODY


_AMOUNT = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,2})?", re.ASCII)


def _price(cell: str, faults: list[Fault]) -> Decimal | None:
    allowed = "a number above 0"
    if not _AMOUNT.fullmatch(cell):
        step = "write digits and a decimal point only, as 1200.50, with the currency in its own column"
        faults.append(Fault("price", cell, "is not a number" if cell else "is required", allowed, step))
        return None
    price = Decimal(cell)
    if price <= 0:
        faults.append(Fault("price", cell, "is not above 0", allowed, "correct it or leave the row out"))
        return None
    return price


def _currency(cell: str, rates: Rates, faults: list[Fault]) -> str:
    code = cell.upper()
    if code in rates.currencies:
        return code
    close = nearest(code, rates.currencies)
    hint = f"did you mean {' or '.join(close)}?" if close else "use an ISO 4217 code with a known rate"
    problem = "is not a currency with a known rate" if cell else "is required"
    faults.append(Fault("currency", cell, problem, ", ".join(rates.currencies), hint, close))
    return ""


def _check_amount(cell: str, currency: str, day: date, rates: Rates, faults: list[Fault]) -> None:
    try:
        usd = float(cell) * rates.usd_per(currency, day)
    except RateError as error:
        near = _nearest_quoted(currency, day, rates)
        step = f"its nearest quoted day is {near.isoformat()}" if near else "use another currency"
        faults.append(Fault("currency", currency, f"cannot be converted: {error}", "", step))
        return
    if not LEAST_USD <= usd <= MOST_USD:
        allowed = f"{LEAST_USD:g} to {MOST_USD:,.0f} US dollars"
        faults.append(Fault("price", cell, "is absurd for an instrument", allowed, "check its decimal point"))


def _nearest_quoted(currency: str, day: date, rates: Rates) -> date | None:
    quotes = rates.usd[currency]
    quoted = rates.days[~np.isnan(quotes)]
    if not len(quoted):
        return None
    return date.fromordinal(int(quoted[abs(quoted - day.toordinal()).argmin()]))
