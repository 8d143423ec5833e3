"""The level of a value as games of few players each: what they add, kept by the players' own values."""

from __future__ import annotations

from collections.abc import Sequence
from operator import itemgetter
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from models.price.backbone import BLANK, LEVEL, Backbone
from models.price.basis import Floats, Ints
from models.price.evaluator.curves import Between, Curves, bent_of
from models.price.evaluator.encoding import Encoding, Row
from models.price.evaluator.pieces import OVERHEAD, Pieces
from models.price.shapley import corner_game

if TYPE_CHECKING:
    from models.price.evaluator.plan import Plan

MOST_KEPT = 256  # entries of one kind: what callers send must not fill the memory

_T = TypeVar("_T")


class Game:
    """The level's blocks that depend on just these players; at most one number that they make bends.

    `key_of`: the players' values of a row's, a tuple unless it is one player. `part`: of the value, "" for
    none. `bent`: where a number bends; else `names` are the columns.
    """

    def __init__(
        self, backbone: Backbone, encoding: Encoding, players: tuple[str, ...], blocks: Sequence[int]
    ) -> None:
        own = [backbone.blocks[at] for at in blocks]
        self.blocks = blocks
        self.places = tuple(encoding.players.index(player) for player in players)
        self.key_of: Any = itemgetter(*self.places) if self.places else lambda values: ()
        self.part = max((block.part for block in own), default="")
        self.names = tuple(dict.fromkeys(column for block in own for column in block.columns))
        curved = [name for name in self.names if name in encoding.curved]
        self.bent = bent_of(backbone, blocks, curved[0]) if curved else None


class Level:
    """All games of the level, for the rows of every key, those that bend last.

    `plain`: how many do not bend. `movers`: each game with each of its players.
    """

    def __init__(self, backbone: Backbone, pieces: Pieces, encoding: Encoding) -> None:
        self._backbone, self._pieces, self._encoding = backbone, pieces, encoding
        self.games = sorted(_games_of(backbone, encoding), key=lambda game: game.bent is not None)
        self.all = tuple(range(len(self.games)))
        self.plain = sum(game.bent is None for game in self.games)
        self.movers = [(at, place) for at, game in enumerate(self.games) for place in game.places]
        self._curves = Curves(backbone, pieces, [game.bent for game in self.games if game.bent])
        self._of_movers = np.array([game for game, _ in self.movers], np.int64)
        # Of games of several: the players, the games that are theirs, and where each game's movers stand.
        self._several: dict[tuple[int, ...], list[tuple[int, slice]]] = {}
        for at, game in enumerate(self.games):
            if len(game.places) > 1:
                start = self.movers.index((at, game.places[0]))
                own = at, slice(start, start + len(game.places))
                self._several.setdefault(game.places, []).append(own)
        self._entries = 0

    @property
    def nbytes(self) -> int:
        """What the dictionaries take that tell which piece belongs to which values, about."""
        return self._entries * OVERHEAD

    def find(self, plans: Sequence[Plan], rows: Sequence[Row], games: Sequence[int]) -> Between:
        """(games, n) what n rows, each of its plan's key, have in these games, which are in order."""
        at = self._plain(plans, rows, [game for game in games if game < self.plain])
        share, bent = np.zeros(at.shape), [game - self.plain for game in games if game >= self.plain]
        if not bent:
            return Between(at, at, share)
        found = self._curves.between(self._encoding.table(rows, self._curves.names(bent)), bent)
        pairs = zip((at, at, share), found, strict=True)
        return Between(*(np.concatenate(pair) for pair in pairs))

    def sums(self, found: Between) -> tuple[Floats, Floats]:
        """(games, n) what each game adds, and the same without blanks: to its part of the value."""
        one, other = self._pieces.sums.of(found.at), self._pieces.sums.of(found.beyond)
        both = one + found.share[..., None] * (other - one)
        return both[..., 0], both[..., 1]

    def moves(
        self, plans: Sequence[Plan], rows: Sequence[Row], bases: Sequence[Row], steps: tuple[Floats, Floats]
    ) -> tuple[Floats, Floats]:
        """(movers, n) Shapley effects from bases to rows of the same keys: on the value, and on its parts.

        `steps`: (games, n) what each game's sums differ by.
        """
        total, part = (side.take(self._of_movers, axis=0) for side in steps)
        for places, games in self._several.items():
            get = itemgetter(*places)
            pairs = zip(rows, bases, strict=True)
            both = [(get(row.values), get(base.values)) for row, base in pairs]
            differ = np.array([[own != base for own, base in zip(*one, strict=True)] for one in both]).T
            several = np.flatnonzero(differ.sum(axis=0) > 1).tolist()
            for game, own in games:
                total[own] *= differ
                part[own] *= differ
                for row in several:
                    total[own, row], part[own, row] = self._corners(plans[row], game, rows[row], bases[row])
        return total, part

    def _plain(self, plans: Sequence[Plan], rows: Sequence[Row], games: Sequence[int]) -> Ints:
        if not games:
            return np.zeros((0, len(rows)), np.int64)
        every = len(games) == self.plain
        found = [
            [
                get(key_of(row.values), -1)
                for get, key_of in (plan.readers if every else [plan.readers[game] for game in games])
            ]
            for plan, row in zip(plans, rows, strict=True)
        ]
        at = np.array(found).T
        if at.min() < 0:
            for order in np.flatnonzero(at.min(axis=1) < 0).tolist():
                self._make(at[order], games[order], plans, rows)
        return at

    def _make(self, at: Ints, game: int, plans: Sequence[Plan], rows: Sequence[Row]) -> None:
        """Fill in where (n,) places of the game's pieces are missing, all of them together."""
        own, missing = self.games[game], np.flatnonzero(at < 0).tolist()
        keys = {row: (plans[row], own.key_of(rows[row].values)) for row in missing}
        first = {key: row for row, key in reversed(keys.items())}
        table = self._encoding.table([rows[row] for row in first.values()], own.names)
        pieces = self._pieces.of_each(own.blocks, table, len(first))
        for (plan, key), piece in zip(first, pieces, strict=True):
            plan.entries[game][key] = piece.at
        self._entries += len(first)
        at[missing] = [plan.entries[game][key] for plan, key in keys.values()]

    def _corners(self, plan: Plan, game: int, row: Row, base: Row) -> tuple[Floats, Floats]:
        """(players,) effects of the players of one game, several of which differ."""
        own = self.games[game]
        key = (game, own.key_of(row.values), own.key_of(base.values))
        found = plan.moves.get(key)
        if found is None:
            hybrids = []
            for corner in range(1 << len(own.places)):
                values = list(base.values)
                for bit, place in enumerate(own.places):
                    if corner >> bit & 1:
                        values[place] = row.values[place]
                hybrids.append(Row(row.key, tuple(values)))
            sums = self.sums(self.find([plan] * len(hybrids), hybrids, (game,)))
            found = kept(plan.moves, key, corner_game(np.concatenate(sums)))
        return found[0], found[1]


def kept(found: dict[Any, _T], key: object, entry: _T) -> _T:
    """The entry, kept under this key; where there are too many, all others are forgotten."""
    if len(found) >= MOST_KEPT:
        found.clear()
    found[key] = entry
    return entry


def _games_of(backbone: Backbone, encoding: Encoding) -> list[Game]:
    """The blocks by their players, and by their columns where one bends; those that do not go with the first.

    A curve over few columns is kept once for all keys: what all models share is not kept for each. Raises
    ValueError for a block over two curved columns, which is straight between the knots of neither, and where
    the blocks of some players belong to two parts of the value.
    """
    found: dict[tuple[str, ...], dict[tuple[str, ...], list[int]]] = {}
    blocks = backbone.blocks
    for at, block in enumerate(blocks):
        if block.role in (LEVEL, BLANK):
            curved = [c for c in block.columns if c in encoding.curved]
            if len(curved) > 1:
                raise ValueError(f"the block {block.name} bends with {' and '.join(curved)} at once")
            own = found.setdefault(encoding.players_of(block.columns), {})
            own.setdefault((*curved, *sorted(set(block.columns) - {*curved})) if curved else (), []).append(at)
    games = []
    for players, own in found.items():
        parts = {blocks[at].part for places in own.values() for at in places} - {""}
        if len(parts) > 1:
            raise ValueError(f"{' and '.join(players)} move two parts at once: {', '.join(sorted(parts))}")
        straight = own.pop((), [])
        several = list(own.values()) or [[]]
        several[0] = [*several[0], *straight]
        games += [Game(backbone, encoding, players, places) for places in several]
    return games
