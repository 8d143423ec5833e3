"""Columns of hybrids of two subjects: some factors as the one has them, the rest as the other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from numpy.typing import NDArray

from models.catalogue import Catalogue
from models.instrument import Subject
from models.price.features import PLAYERS, columns
from models.vocabulary import BY_PATH

_SAME = ("maker", "model")  # alike on both sides of every pair


def players_of(names: Sequence[str]) -> tuple[str, ...]:
    """The factors that these columns depend on, without those that are alike on both sides."""
    return tuple(dict.fromkeys(p for name in names for p in PLAYERS[name] if p not in _SAME))


class Sides:
    """n pairs of the same model: the table of any hybrid, each column made once."""

    def __init__(
        self, subjects: Sequence[Subject], references: Sequence[Subject], catalogue: Catalogue
    ) -> None:
        self.subjects, self.references, self._catalogue = subjects, references, catalogue
        self._made: dict[tuple[str, frozenset[str]], NDArray[Any]] = {}

    def table(self, names: Sequence[str], at_subject: frozenset[str]) -> Mapping[str, NDArray[Any]]:
        """The named columns where the players in `at_subject` are the subject's."""
        return {name: self.column(name, at_subject) for name in names}

    def column(self, name: str, at_subject: frozenset[str]) -> NDArray[Any]:
        """(n,) one column of that hybrid."""
        moved = at_subject.intersection(PLAYERS[name])
        key = (name, moved)
        if key not in self._made:
            self._made[key] = columns(self._hybrids(moved), self._catalogue, [name])[name]
        return self._made[key]

    def give(self, table: Mapping[str, NDArray[Any]], *, subject: bool) -> None:
        """Hand in columns that are made already, of the subjects or of the references."""
        for name, values in table.items():
            moved = frozenset(players_of([name])) if subject else frozenset[str]()
            self._made[(name, moved)] = values

    def _hybrids(self, moved: frozenset[str]) -> list[Subject]:
        flats = [BY_PATH[path].flat for path in moved if path in BY_PATH]
        out = []
        for s, r in zip(self.subjects, self.references, strict=True):
            instrument = r.instrument.but(**{flat: getattr(s.instrument, flat) for flat in flats})
            day = s.day if "day" in moved else r.day
            out.append(Subject(instrument, day, s.channel if "channel" in moved else r.channel))
        return out
