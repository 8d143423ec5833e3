"""The record that the documentation shows: one of this service's own catalogue."""

from __future__ import annotations

from typing import Any

from models.catalogue import Catalogue
from service.valuations.examples import example_ask


def example_record(catalogue: Catalogue) -> dict[str, Any]:
    """A closed sale of the first model of the catalogue."""
    return {
        "id": "2026-014",
        "kind": "sale",
        "date": "2026-01-02",
        "price": "1850.00",
        "currency": "USD",
        "channel": "private",
        "source": "said by the buyer",
        "instrument": example_ask(catalogue)["instrument"],
    }
