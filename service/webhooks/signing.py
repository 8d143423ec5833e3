"""The secrets of webhooks, and the headers by which a receiver knows who sent a message.

The database keeps a random text. The secret is made of it and of the service's own secret, so that the
database alone signs nothing.
"""

from __future__ import annotations

import base64
import hmac
import secrets
from collections.abc import Sequence
from datetime import UTC, datetime

from standardwebhooks import Webhook

_PREFIX = "whsec_"


def new_seed() -> str:
    """Return the random text of a new secret."""
    return secrets.token_hex(20)


def secret_of(service_secret: str, seed: str) -> str:
    """Return the secret that a receiver is given."""
    key = hmac.digest(service_secret.encode(), b"webhook secret " + seed.encode(), "sha256")
    return _PREFIX + base64.b64encode(key).decode()


def headers_of(secret_texts: Sequence[str], event_id: str, at: datetime, body: str) -> dict[str, str]:
    """Return the headers of a message: its id, the moment, and a signature by each of the secrets."""
    moment = at.astimezone(UTC)  # the library would take the hours of another zone for those of UTC
    signatures = [Webhook(secret).sign(event_id, moment, body) for secret in secret_texts]
    return {
        "webhook-id": event_id,
        "webhook-timestamp": str(int(moment.timestamp())),
        "webhook-signature": " ".join(signatures),
    }
