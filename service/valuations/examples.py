"""A request that the documentation shows."""

from __future__ import annotations

from typing import Any

ASK: dict[str, Any] = {
    "instrument": {
        "maker": "…",
        "model": "…",
        "year": 1964,
        "condition": {"top": 2, "neck": 3, "electronics": "working", "structure": "sound"},
        "originality": {"finish": "original", "pickups": "period"},
        "provenance": {"case": "original"},
    },
    "channel": "private",
    "levels": [0.8, 0.95],
}
