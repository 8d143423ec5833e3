"""The second factor: a code of six digits that an app on a telephone shows anew every 30 seconds (TOTP).

The database keeps a random text. The secret of the app is made of it and of the service's own secret, so that
the database alone opens nothing.
"""

from __future__ import annotations

import base64
import hmac
import secrets
import time

import pyotp

from models.costs import CODE_STEPS

ISSUER = "Bookmatch"


def new_seed() -> str:
    """Return the random text of a new second factor."""
    return secrets.token_hex(20)


def address(service_secret: str, seed: str, name: str) -> str:
    """Return the otpauth:// address that an app reads."""
    return _totp(service_secret, seed).provisioning_uri(name=name, issuer_name=ISSUER)


def step_of(service_secret: str, seed: str, code: str, moment: float | None = None) -> int | None:
    """Return the step of time that this code belongs to, None for a wrong code."""
    totp = _totp(service_secret, seed)
    now = int((time.time() if moment is None else moment) // totp.interval)
    given = "".join(code.split())
    # All are compared, so that the time taken does not tell which step it was.
    found = [
        step
        for step in range(now - CODE_STEPS, now + CODE_STEPS + 1)
        if hmac.compare_digest(totp.generate_otp(step).encode(), given.encode("utf-8", "replace"))
    ]
    return found[0] if found else None


def _totp(service_secret: str, seed: str) -> pyotp.TOTP:
    key = hmac.digest(service_secret.encode(), b"desk second factor " + seed.encode(), "sha256")[:20]
    return pyotp.TOTP(base64.b32encode(key).decode())
