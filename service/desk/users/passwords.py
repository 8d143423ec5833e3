"""Passwords as Argon2 keeps them.

A check takes 64 MB for a tenth of a second, so each process makes one after the other.
"""

from __future__ import annotations

import threading

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from models.costs import LONGEST_PASSWORD, SHORTEST_PASSWORD
from models.errors import Fault, InputError

_HASHER = PasswordHasher()
_TURN = threading.Lock()
# Checked for a name that nobody has, so that the time taken does not tell; it is of a password nobody knows.
_NOBODY = "$argon2id$v=19$m=65536,t=3,p=4$c29tZSBzYWx0IG9mIG91cnM$MDEyMzQ1Njc4OWFiY2RlZjAxMjM0NTY3ODlhYmNkZWY"


def check_new(password: str) -> None:
    """Raise InputError for a password that is too short or too long. The fault does not repeat it."""
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD or not password.strip():
        allowed = f"{SHORTEST_PASSWORD} to {LONGEST_PASSWORD} characters"
        raise InputError([Fault("password", None, "cannot be taken", allowed, "choose another one")])


def hashed(password: str) -> str:
    """Return the text that is kept of a password."""
    with _TURN:
        return _HASHER.hash(password)


def is_right(kept: str | None, password: str) -> bool:
    """Say whether this is the password. `kept`: its text, None for a user who is not there."""
    with _TURN:
        try:
            _HASHER.verify(kept or _NOBODY, password[:LONGEST_PASSWORD])
        except (VerificationError, InvalidHashError):
            return False
    return kept is not None


def is_outdated(kept: str) -> bool:
    """Say whether the text was made with other parameters than are usual now."""
    return _HASHER.check_needs_rehash(kept)
