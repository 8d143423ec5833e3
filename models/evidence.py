"""One record of the market: a closed sale, a price asked or an offer declined."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from models.instrument import Instrument, Subject


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
