"""The level of a value as games of few players each: what they add, kept by the players' own values."""

from __future__ import annotations

from collections.abc import Sequence
from operator import itemgetter
from typing import Any, NamedTuple, TypeVar

import numpy as np

from models.price.backbone import BLANK, LEVEL
from models.price.basis import Table
from models.price.core import Core
from models.price.evaluator.curves import Curve, Share, share_of
from models.price.evaluator.encoding import Encoding, Row, Values
from models.price.evaluator.pieces import Pieces
from models.price.shapley import corner_game

MOST_KEPT = 256  # entries of one game: what callers send must not fill the memory

_T = TypeVar("_T")
_Group = tuple[str, str]  # a curved column, and a part of the value


class Entry(NamedTuple):
    """What a game adds for some values of its players.

    `total`: Σ θ·x. `part`: the same without blanks: what the game adds to its part of the value. `prior`: its
    prior variance. `noise`: its part of the log noise variance. `at`, `weights`: of its vectors.
    """

    total: float
    part: float
    prior: float
    noise: float
    at: tuple[int, ...]
    weights: tuple[float, ...]


class Move(NamedTuple):
    """The Shapley effect of the player at `place`; `part`: on the game's part of the value alone."""

    place: int
    effect: float
    part: float


class Game:
    """The level's blocks that depend on just these players, for one key.

    `row`: any row of the key: the game does not depend on its other players. Raises ValueError where the
    blocks belong to two parts of the value.
    """

    def __init__(
        self, core: Core, pieces: Pieces, encoding: Encoding, row: Row, players: tuple[str, ...]
    ) -> None:
        self._core, self._pieces, self._encoding, self._row = core, pieces, encoding, row
        self.places = tuple(encoding.players.index(p) for p in players)
        # A key of one player is that player's value itself, of more a tuple: as `itemgetter` gives it.
        self.key_of: Any = itemgetter(*self.places) if self.places else lambda values: ()
        self._blocks = _by_curve(core, encoding, players)
        blocks = core.backbone.blocks
        parts = {blocks[at].part for places in self._blocks.values() for at in places} - {""}
        if len(parts) > 1:
            raise ValueError(f"{' and '.join(players)} move two parts at once: {', '.join(sorted(parts))}")
        self.part = min(parts, default="")
        levels = core.spread.noise.levels if core.spread else {}
        self._noise = {c: effects for c, effects in levels.items() if encoding.players_of([c]) == players}
        # What a curve stands on besides its own number; of the others, all.
        self._columns = {
            group: tuple(dict.fromkeys(c for at in places for c in blocks[at].columns if c != group[0]))
            for group, places in self._blocks.items()
        }
        own = (name for group, names in self._columns.items() for name in (*names, group[0]) if name)
        self._names = tuple(dict.fromkeys((*own, *self._noise)))
        self.entries: dict[Any, Entry] = {}
        self._moves: dict[Any, tuple[Move, ...]] = {}
        self._plain: dict[tuple[object, ...], Share] = {}
        self._curves: dict[tuple[object, ...], Curve] = {}

    def entry(self, key: Any) -> Entry:
        """What it adds for a row of this key of its players' values."""
        return self.entries.get(key) or kept(self.entries, key, self._at(self._values(key)))

    def prepare(self, keys: Sequence[Any]) -> None:
        """Work out the entries of all these keys together, at most `MOST_KEPT` of them.

        The entries are those that `entry` would find. A game with a curve keeps knots and needs none of this.
        """
        new = [key for key in dict.fromkeys(keys) if key not in self.entries]
        if not new or not self._names or any(curved for curved, _ in self._blocks):
            return
        if len(self.entries) + len(new) > MOST_KEPT:
            self.entries.clear()
        tables = [self._table(self._values(key)) for key in new]
        table = {name: np.concatenate([own[name] for own in tables]) for name in self._names}
        found = [self._pieces.of_each(places, table) for places in self._blocks.values()]
        for at, (key, own) in enumerate(zip(new, tables, strict=True)):
            shares = {group: share_of(pieces[at]) for group, pieces in zip(self._blocks, found, strict=True)}
            self.entries[key] = self._entry(shares, own)

    def moves(self, own: Any, base: Any) -> tuple[Move, ...]:
        """What leads from one key of its players' values to another; of players that differ only."""
        found = self._moves.get((own, base))
        return kept(self._moves, (own, base), self._effects(own, base)) if found is None else found

    def _values(self, key: Any) -> Values:
        return (key,) if len(self.places) == 1 else key

    def _effects(self, own_key: Any, base_key: Any) -> tuple[Move, ...]:
        own, base = self._values(own_key), self._values(base_key)
        differ = [at for at, (one, other) in enumerate(zip(own, base, strict=True)) if one != other]
        corners = []
        for corner in range(1 << len(differ)):
            hybrid = list(base)
            for bit, at in enumerate(differ):
                if corner >> bit & 1:
                    hybrid[at] = own[at]
            corners.append(self._at(tuple(hybrid))[:2])
        totals, parts = corner_game(np.array(corners).T).tolist()
        places = [self.places[at] for at in differ]
        return tuple(Move(*move) for move in zip(places, totals, parts, strict=True))

    def _at(self, own: Values) -> Entry:
        table = self._table(own)
        shares = {group: self._share(group, places, table) for group, places in self._blocks.items()}
        return self._entry(shares, table)

    def _table(self, own: Values) -> Table:
        values = list(self._row.values)
        for at, value in zip(self.places, own, strict=True):
            values[at] = value
        return self._encoding.table(Row(self._row.key, tuple(values)), self._names)

    def _entry(self, shares: dict[_Group, Share], table: Table) -> Entry:
        return Entry(
            total=sum(share.total for share in shares.values()),
            part=sum(share.total for (_, part), share in shares.items() if part),
            prior=sum(share.prior for share in shares.values()),
            noise=sum(effects.get(table[column][0], 0.0) for column, effects in self._noise.items()),
            at=tuple(at for share in shares.values() for at in share.at),
            weights=tuple(weight for share in shares.values() for weight in share.weights),
        )

    def _share(self, group: _Group, places: Sequence[int], table: Table) -> Share:
        own = {column: table[column] for column in self._columns[group]}
        key = (group, *(values[0] for values in own.values()))
        if not group[0]:
            found = self._plain.get(key)
            return found or kept(self._plain, key, share_of(self._pieces.of(places, table)))
        curve = self._curves.get(key) or kept(self._curves, key, self._curve(group[0], places, own))
        return curve.at(float(table[group[0]][0]))

    def _curve(self, curved: str, places: Sequence[int], table: Table) -> Curve:
        bases = [basis for at in places for basis in self._core.backbone.blocks[at].bases]
        return Curve(self._pieces, places, bases, curved, table)


def games_of(core: Core, pieces: Pieces, encoding: Encoding, row: Row) -> list[Game]:
    """All games of the level of a row's key; a column of the noise that is in no block has players too."""
    blocks = [block.columns for block in core.backbone.blocks if block.role in (LEVEL, BLANK)]
    levels = [(column,) for column in core.spread.noise.levels] if core.spread else []
    players = dict.fromkeys(encoding.players_of(columns) for columns in (*blocks, *levels))
    return [Game(core, pieces, encoding, row, one) for one in players]


def kept(found: dict[Any, _T], key: object, entry: _T) -> _T:
    """The entry, kept under this key; where there are too many, all others are forgotten."""
    if len(found) >= MOST_KEPT:
        found.clear()
    found[key] = entry
    return entry


def _by_curve(core: Core, encoding: Encoding, players: tuple[str, ...]) -> dict[_Group, list[int]]:
    """Curved column ("" for none) and part → the blocks of both that depend on just these players.

    Raises ValueError for a block over two curved columns: it is straight between the knots of neither.
    """
    found: dict[_Group, list[int]] = {}
    for at, block in enumerate(core.backbone.blocks):
        if block.role in (LEVEL, BLANK) and encoding.players_of(block.columns) == players:
            curved = [c for c in block.columns if c in encoding.curved]
            if len(curved) > 1:
                raise ValueError(f"the block {block.name} bends with {' and '.join(curved)} at once")
            found.setdefault((curved[0] if curved else "", block.part), []).append(at)
    return found
