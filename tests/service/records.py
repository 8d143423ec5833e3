"""Records of evidence for the tests of what the service does with them."""

from __future__ import annotations

from typing import Any

from asking import Caller

IT: dict[str, Any] = {"maker": "ostvik", "model": "DAL", "year": 1965, "condition": {"neck": 2}}
SALE: dict[str, Any] = {
    "id": "S-1",
    "kind": "sale",
    "date": "2025-06-01",
    "price": "1800.00",
    "currency": "EUR",
    "channel": "dealer",
    "source": "a note",
    "instrument": IT,
}


def record(caller: Caller, **changes: Any) -> Any:
    return caller.post("/v1/evidence", {**SALE, **changes})


def ids(caller: Caller, query: str = "") -> list[str]:
    found = caller.get(f"/v1/evidence{query}")
    assert found.status_code == 200, found.text
    return [entry["id"] for entry in found.json["evidence"]]
