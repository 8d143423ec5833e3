"""The level of a value as games of few players each: what they add, kept by the players' own values."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
Moves = tuple[tuple[int, float], ...]  # the place of a player, and its effect


class Entry(NamedTuple):
    """What a game adds for some values of its players.

    `total`: Σ θ·x. `prior`: its prior variance. `noise`: its part of the log noise variance. `at`, `weights`:
    of its vectors.
    """

    total: float
    prior: float
    noise: float
    at: tuple[int, ...]
    weights: tuple[float, ...]


class Game:
    """The level's blocks of one part of the value that depend on just these players, for one key.

    `row`: any row of the key: the game does not depend on its other players.
    """

    def __init__(
        self, core: Core, pieces: Pieces, encoding: Encoding, row: Row, players: tuple[str, ...], part: str
    ) -> None:
        self._core, self._pieces, self._encoding, self._row = core, pieces, encoding, row
        self.part = part
        self.places = tuple(encoding.players.index(p) for p in players)
        self._blocks = _by_curve(core, encoding, players, part)
        self._noise = _noise_of(core, encoding, players) if part == "" else {}
        blocks = core.backbone.blocks
        # What a curve stands on besides its own number; of the others, all.
        self._columns = {
            curved: tuple(dict.fromkeys(c for at in places for c in blocks[at].columns if c != curved))
            for curved, places in self._blocks.items()
        }
        own = (name for curved, names in self._columns.items() for name in (*names, curved) if name)
        self._names = tuple(dict.fromkeys((*own, *self._noise)))
        self._moves: dict[Any, Moves] = {}
        self._plain: dict[tuple[object, ...], Share] = {}
        self._curves: dict[tuple[object, ...], Curve] = {}

    def entry(self, values: Values) -> Entry:
        """What it adds for a row of these values."""
        return self._at(self._key(values))

    def moves(self, values: Values, base: Values) -> Moves:
        """The Shapley effects of its players from a base to these values; those that differ only."""
        own, other = self._key(values), self._key(base)
        if own == other:
            return ()
        key = (own, other)
        found = self._moves.get(key)
        return kept(self._moves, key, self._effects(own, other)) if found is None else found

    def _key(self, values: Values) -> Values:
        return tuple(values[at] for at in self.places)

    def _effects(self, own: Values, base: Values) -> Moves:
        differ = [at for at, (one, other) in enumerate(zip(own, base, strict=True)) if one != other]
        corners = []
        for corner in range(1 << len(differ)):
            key = list(base)
            for bit, at in enumerate(differ):
                if corner >> bit & 1:
                    key[at] = own[at]
            corners.append(self._at(tuple(key)).total)
        effects = corner_game(np.array([corners]))[0].tolist()
        return tuple((self.places[at], effect) for at, effect in zip(differ, effects, strict=True) if effect)

    def _at(self, own: Values) -> Entry:
        values = list(self._row.values)
        for at, value in zip(self.places, own, strict=True):
            values[at] = value
        table = self._encoding.table(Row(self._row.key, tuple(values)), self._names)
        shares = [self._share(curved, places, table) for curved, places in self._blocks.items()]
        return Entry(
            total=sum(share.total for share in shares),
            prior=sum(share.prior for share in shares),
            noise=sum(effects.get(table[column][0], 0.0) for column, effects in self._noise.items()),
            at=tuple(at for share in shares for at in share.at),
            weights=tuple(weight for share in shares for weight in share.weights),
        )

    def _share(self, curved: str, places: Sequence[int], table: Table) -> Share:
        own = {column: table[column] for column in self._columns[curved]}
        key = (curved, *(values[0] for values in own.values()))
        if not curved:
            found = self._plain.get(key)
            return found or kept(self._plain, key, share_of(self._pieces.of(places, table)))
        curve = self._curves.get(key) or kept(self._curves, key, self._curve(curved, places, own))
        return curve.at(float(table[curved][0]))

    def _curve(self, curved: str, places: Sequence[int], table: Table) -> Curve:
        bases = [basis for at in places for basis in self._core.backbone.blocks[at].bases]
        return Curve(self._pieces, places, bases, curved, table)


class Games:
    """All games of the level of one key."""

    def __init__(self, core: Core, pieces: Pieces, encoding: Encoding, row: Row) -> None:
        parts = dict.fromkeys(_games_of(core, encoding))
        self.all = [Game(core, pieces, encoding, row, players, part) for players, part in parts]
        self._keyed: list[tuple[Any, dict[Any, Entry], Game]] = [
            (_key_of(game.places), {}, game) for game in self.all
        ]

    def entries(self, values: Values) -> list[Entry]:
        """What each game adds for a row of these values."""
        return [
            found.get(key := key_of(values)) or kept(found, key, game.entry(values))
            for key_of, found, game in self._keyed
        ]


def _key_of(places: tuple[int, ...]) -> Any:
    return itemgetter(*places) if places else lambda values: ()


def kept(found: dict[Any, _T], key: object, entry: _T) -> _T:
    """The entry, kept under this key; where there are too many, all others are forgotten."""
    if len(found) >= MOST_KEPT:
        found.clear()
    found[key] = entry
    return entry


def _games_of(core: Core, encoding: Encoding) -> list[tuple[tuple[str, ...], str]]:
    """Players and part of every game; a column of the noise that is in no block has players too."""
    found = [
        (encoding.players_of(block.columns), block.part)
        for block in core.backbone.blocks
        if block.role in (LEVEL, BLANK)
    ]
    levels = core.spread.noise.levels if core.spread else {}
    return found + [(encoding.players_of([column]), "") for column in levels]


def _noise_of(core: Core, encoding: Encoding, players: tuple[str, ...]) -> dict[str, Mapping[str, float]]:
    levels = core.spread.noise.levels if core.spread else {}
    return {column: effects for column, effects in levels.items() if encoding.players_of([column]) == players}


def _by_curve(core: Core, encoding: Encoding, players: tuple[str, ...], part: str) -> dict[str, list[int]]:
    """Curved column, "" for none → the blocks of the part that depend on it and on just these players.

    Raises ValueError for a block over two curved columns: it is straight between the knots of neither.
    """
    found: dict[str, list[int]] = {}
    for at, block in enumerate(core.backbone.blocks):
        if block.role not in (LEVEL, BLANK) or block.part != part:
            continue
        if encoding.players_of(block.columns) == players:
            curved = [c for c in block.columns if c in encoding.curved]
            if len(curved) > 1:
                raise ValueError(f"the block {block.name} bends with {' and '.join(curved)} at once")
            found.setdefault(curved[0] if curved else "", []).append(at)
    return found
