"""The rule by which all names are compared, and a search for the names most like a misspelt one."""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Iterable
from functools import lru_cache


@lru_cache(maxsize=65_536)
def normal(name: str) -> str:
    """Return the form in which names are compared: no case, no accents, single inner spaces."""
    decomposed = unicodedata.normalize("NFKD", name)
    bare = "".join(c for c in decomposed if not unicodedata.combining(c))
    return " ".join(bare.casefold().split())


@lru_cache(maxsize=65_536)
def normal_serial(serial: str) -> str:
    """Return the form in which serial numbers are compared: no case and no spaces at all."""
    return "".join(serial.casefold().split())


def nearest(name: str, among: Iterable[str], count: int = 3) -> tuple[str, ...]:
    """Return at most `count` names of `among` that are spelled most like `name`, nearest first."""
    by_normal = {normal(candidate): candidate for candidate in among}
    found = difflib.get_close_matches(normal(name)[:200], list(by_normal), n=count, cutoff=0.4)
    return tuple(by_normal[key] for key in found)
