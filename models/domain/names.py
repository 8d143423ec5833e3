"""The rule by which all names are compared, and a search for the names most like a misspelt one."""

import difflib
import unicodedata
from collections.abc import Iterable, Mapping

from models.costs import LONGEST_COMPARED
from models.domain.vocabulary import MAX_TEXT

# Name as a catalogue spells it → its normal form. What callers send is never kept, so the table stays small.
_OF_CATALOGUES: dict[str, str] = {}

# Likeness from which a name is taken for a misspelling of another.
ALIKE = 0.6


def normal(name: str) -> str:
    """Return the form in which names are compared: no case, no accents, single inner spaces.

    Of a text longer than a name may be, only the beginning is read.
    """
    found = _OF_CATALOGUES.get(name)
    if found is not None:
        return found
    name = name[:MAX_TEXT]
    if not name.isascii():  # the steps below leave ASCII as it is
        decomposed = unicodedata.normalize("NFKD", name)
        name = "".join(c for c in decomposed if not unicodedata.combining(c))
    return " ".join(name.casefold().split())


def remember(names: Iterable[str]) -> None:
    """Keep the normal forms of a catalogue's names, which every request compares."""
    _OF_CATALOGUES.update({name: normal(name) for name in names})


def normal_serial(serial: str) -> str:
    """Return the form in which serial numbers are compared: no case and no spaces at all."""
    return "".join(serial.casefold().split())


def nearest(name: str, among: Iterable[str], count: int = 3, likeness: float = ALIKE) -> tuple[str, ...]:
    """Return the `count` names of `among` that look most like `name`, nearest first; may be fewer.

    A name of fewer words is compared with the beginning and the end of a longer one too: people leave words
    out. `likeness`: from 0 to 1, what a name must have at least (`difflib.SequenceMatcher.ratio`).
    """
    spelled = {candidate: candidate for candidate in among}
    words = len(name.split())
    parts = {
        " ".join(part): candidate
        for candidate in spelled
        for part in (candidate.split()[:words], candidate.split()[-words:])
    }
    return nearest_spelled(name, parts | spelled, count, likeness)


def nearest_spelled(name: str, spelled: Mapping[str, str], count: int, likeness: float) -> tuple[str, ...]:
    """Return names as `nearest` does, but of those that may be spelled in several ways: spelling → name."""
    by_normal = {normal(spelling): candidate for spelling, candidate in spelled.items()}
    compared = normal(name[:LONGEST_COMPARED])[:LONGEST_COMPARED]
    found = difflib.get_close_matches(compared, list(by_normal), n=3 * count, cutoff=likeness)
    return tuple(dict.fromkeys(by_normal[key] for key in found))[:count]
