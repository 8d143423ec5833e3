"""Comparables: one record beside the subject, and the set of them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from models.domain.instrument import Instrument
from models.insights.comparables.grid import Grid
from models.valuation.cautions import Caution


@dataclass(frozen=True)
class Comparable:
    """One record of the evidence beside the subject.

    `price` is in its own `currency`; the grid starts from it in the subject's, at the rate of its own day and
    back at the rate of the subject's. `standard_error`: that of its adjusted price, in log, as a value of the
    subject. `share`: its share of the reconciled figure, 0 for what is only shown beside.
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
    """`sales`: the closest first; their shares sum to 1. `beside`: asking prices and offers, not mixed in.

    `reconciled`: what the sales say together, None without any. `difference`: reconciled / value − 1.
    `set_aside`: ids of sales too far from everything else to be anything but a slip, and not used.
    `note`: why there are none, or fewer than asked. `caution`: where sales and model disagree.
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
