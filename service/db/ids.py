"""Ids of records."""

from __future__ import annotations

import base64
import secrets
import time


def new_id(prefix: str) -> str:
    """Return an id that cannot be guessed (80 random bits); ids sort by age, so an index grows at its end."""
    moment = (time.time_ns() // 1_000_000).to_bytes(6, "big")
    text = base64.b32hexencode(moment + secrets.token_bytes(10)).decode()
    return f"{prefix}_" + text.rstrip("=").lower()
