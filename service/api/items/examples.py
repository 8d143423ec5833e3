"""The example of an item in the documentation, of this service's own catalogue, as JSON and as a file."""

from __future__ import annotations

from typing import Any

from models.domain.catalogue import Catalogue
from service.api.values.examples import example_request, example_table


def example_item(catalogue: Catalogue) -> dict[str, Any]:
    """Return an item of the first model of the catalogue."""
    return {
        "instrument": example_request(catalogue)["instrument"],
        "cost": {"amount": "2100.00", "currency": "USD"},
        "asking": {"amount": "3400.00", "currency": "USD"},
        "bought": "2026-01-02",
        "channel": "dealer",
        "status": "in_stock",
        "extra": {"shelf": "B 7"},
    }


def example_line(catalogue: Catalogue) -> dict[str, Any]:
    """Return the item as a line of a file."""
    return {"stock_number": "G-014", **example_item(catalogue)}


def example_sheet(catalogue: Catalogue) -> str:
    """Return the item as a file of one row, with a column of the caller's own."""
    item = example_item(catalogue)
    amounts = {"asking": "3400.00", "asking_currency": "USD", "bought": item["bought"]}
    row = {"stock_number": "G-014", "instrument": item["instrument"], **amounts, "shelf": "B 7"}
    return example_table(row)
