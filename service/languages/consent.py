"""The texts that an owner agrees to: the text `consent.ID` of each language, and which one is the current."""

from __future__ import annotations

from functools import cache

from service.languages.reader import DEFAULT_LANGUAGE, texts

CURRENT = "2026-11"
_PREFIX = "consent."


@cache
def consents() -> tuple[str, ...]:
    """Return the ids of all texts, the current one and those of before, which are kept to be read."""
    return tuple(name.removeprefix(_PREFIX) for name in texts(DEFAULT_LANGUAGE) if name.startswith(_PREFIX))
