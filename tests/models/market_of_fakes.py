"""A small evidence around the fake price model, whose effects are known by hand."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from fakes import CATALOGUE, RATES, FakePriceModel

from models.domain.evidence import Evidence
from models.domain.evidence_snapshot import EvidenceSnapshot
from models.domain.instrument import Instrument, Subject
from models.valuation.valuer import Valuer

DAY = date(2026, 1, 2)


def sold(
    id: str,
    price: str,
    day: date = date(2025, 6, 1),
    kind: str = "sale",
    currency: str = "USD",
    channel: str = "private",
    model: str = "Fjell 2",
    **fields: object,
) -> Evidence:
    """One record of an Ostvik."""
    it = Instrument("Ostvik", model, **fields)  # type: ignore[arg-type]
    return Evidence(id, kind, day, Decimal(price), currency, channel, "", it)


def subject(day: date = DAY, channel: str = "private", **fields: object) -> Subject:
    """One Ostvik Fjell 2 to value."""
    return Subject(Instrument("Ostvik", "Fjell 2", **fields), day, channel)  # type: ignore[arg-type]


def valuer(*rows: Evidence) -> Valuer:
    """The fake model with this evidence."""
    return Valuer(FakePriceModel(), CATALOGUE, RATES, "v1", EvidenceSnapshot.of(rows))
