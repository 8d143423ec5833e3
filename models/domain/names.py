"""The rule by which all names are compared, and a search for the names most like a misspelt one."""

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


def nearest(name: str, among: Iterable[str], count: int = 3, likeness: float = 0.4) -> tuple[str, ...]:
    """Return the `count` names of `among` that look most like `name`, nearest first; may be fewer.

    `likeness`: from 0 to 1, what a name must have at least (`difflib.SequenceMatcher.ratio`).
    """
    by_normal = {normal(candidate): candidate for candidate in among}
    found = difflib.get_close_matches(normal(name)[:200], list(by_normal), n=count, cutoff=likeness)
    return tuple(by_normal[key] for key in found)
