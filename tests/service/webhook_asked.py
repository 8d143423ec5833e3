"""A request of each operation of webhooks that is answered well."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Engine
from webhook_ground import two_deliveries

from service.keys.records import KeyRing

HOOK, SENDING = "/v1/webhooks/{webhook_id}", "deliveries/{event_id}/sending"
HOOKS: list[tuple[str, str, str, Any]] = [
    ("get", "/v1/webhooks", "/v1/webhooks", None),
    ("post", "/v1/webhooks", "/v1/webhooks", {"url": "https://shop.example.org/hooks"}),
    ("get", HOOK, HOOK, None),
    ("patch", HOOK, HOOK, {"changes": ["deleted"]}),
    ("post", f"{HOOK}/test", f"{HOOK}/test", None),
    ("post", f"{HOOK}/rotate", f"{HOOK}/rotate", {"overlap_hours": 1}),
    ("post", f"{HOOK}/replay", f"{HOOK}/replay", {"since": "2026-01-01T00:00:00+01:00"}),
    ("get", f"{HOOK}/deliveries", f"{HOOK}/deliveries?limit=1", None),
    ("post", f"{HOOK}/{SENDING}", f"{HOOK}/{SENDING}", None),
    ("delete", HOOK, HOOK, None),
]


def of_webhook(engine: Engine, ring: KeyRing, path: str) -> str:
    """The path with the ids of a webhook and of an event that waits for it."""
    webhook_id, event_id = two_deliveries(engine, ring.create("shop", ["inventory"])[0])
    return path.replace("{webhook_id}", webhook_id).replace("{event_id}", event_id)
