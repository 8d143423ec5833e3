"""The example of a request for an appraisal, for a model of this service's own catalogue."""

from __future__ import annotations

from typing import Any

from models.domain.catalogue import Catalogue
from service.api.values.examples import example_request


def example_appraisal(catalogue: Catalogue) -> dict[str, Any]:
    """Return a request for the first model of the catalogue."""
    return {
        "instrument": example_request(catalogue)["instrument"],
        "contact": {"name": "Ronja Eklund", "email": "ronja@example.org"},
        "purpose": "insurance",
        "asked": {"amount": "1800.00", "currency": "USD"},
        "message": "It belonged to my aunt, who bought it new.",
        "consent": True,
    }
