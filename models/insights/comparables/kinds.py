"""The types of comparables: one comparable record, and all comparables of a subject."""

from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from models.domain.instrument import Instrument
from models.insights.comparables.grid import Grid
from models.valuation.caution_texts import Caution


@dataclass(frozen=True)
class Comparable:
    """One record of the evidence, compared with a subject.

    `price`: as recorded, in the record's `currency`. `grid`: starts from the price converted to US dollars on
    the record's day and to the valuation's currency on the subject's day. `standard_error`: of the adjusted
    price as an estimate of the subject's price, in log. `share`: the weight in the reconciled figure, 0 for
    asking prices and offers.
    """

    id: str
    kind: str
    day: date
    channel: str
    price: Decimal
    currency: str
    instrument: Instrument
    same_edition_and_build: bool
    same_instrument: bool
    standard_error: float
    grid: Grid
    share: float


@dataclass(frozen=True)
class Comparables:
    """The comparables of one subject. Money is in `currency`; `value` is the model's value of the subject.

    `sales`: same edition and build first, then least adjusted; their shares sum to 1. `beside`: asking prices
    and offers, which do not count. `reconciled`: weighted mean of the adjusted sales, None without sales.
    `difference`: reconciled / value − 1. `set_aside`: ids of sales that were not used because their price
    lies too far from their own value. `note`: why there are fewer sales than asked for, if so. `caution`:
    given if the sales and the price model disagree.
    """

    currency: str
    value: Decimal
    sales: tuple[Comparable, ...]
    beside: tuple[Comparable, ...]
    reconciled: Decimal | None
    difference: float | None
    set_aside: tuple[str, ...]
    note: str | None
    caution: Caution | None
