"""The field or column that somebody probably means by a name that is none."""

from __future__ import annotations

from collections.abc import Sequence

from models.domain.names import ALIKE, nearest_spelled
from models.domain.vocabulary import BY_PATH, FIELDS

# Likeness from which an unknown column is taken for a misspelling of a known one; most are somebody's own.
_ALIKE_COLUMN = 0.75


def _spellings() -> dict[str, str]:
    """Return how people may call each field → its path; a spelling that fits two is the first field's."""
    backwards = FIELDS[::-1]
    found = {field.path.rpartition(".")[2].replace("_", " "): field.path for field in backwards}
    found |= {"colour": "finish", "color": "finish", "finish color": "finish"}
    found |= {field.label: field.path for field in backwards}
    found |= {field.flat.replace("_", " "): field.path for field in backwards}
    return found | {field.path: field.path for field in backwards}


_SPELLINGS = _spellings()


def likely_field(name: str) -> tuple[str, ...]:
    """Return the path of the field that somebody probably means; nothing if none is like it."""
    return nearest_spelled(name.replace("_", " "), _SPELLINGS, 1, ALIKE)


def likely_column(name: str, known: Sequence[str]) -> tuple[str, ...]:
    """Return the column, of these or of an instrument's field, that is probably meant; nothing if none is."""
    spelled = {spelling: BY_PATH[path].flat for spelling, path in _SPELLINGS.items()}
    spelled |= {column.replace("_", " "): column for column in known}
    return nearest_spelled(name.replace("_", " "), spelled, 1, _ALIKE_COLUMN)
