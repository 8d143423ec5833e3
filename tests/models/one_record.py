"""One record of evidence as JSON, and the day that it is read on."""

from __future__ import annotations

from datetime import date
from typing import Any

TODAY = date(2026, 1, 2)
DAL: dict[str, Any] = {
    "id": "S-1",
    "kind": "sale",
    "date": "2025-05-06",
    "price": "1200.50",
    "currency": "EUR",
    "channel": "dealer",
    "source": "a note",
    "instrument": {"maker": "ostvik", "model": "DAL", "year": 1965, "condition": {"neck": 2}},
}
