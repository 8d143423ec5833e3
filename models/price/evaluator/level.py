"""The level of a value as games of few players each: what they add, kept by the players' own values."""

from __future__ import annotations

from collections.abc import Sequence
from operator import itemgetter
from typing import Any, Protocol, TypeVar

import numpy as np

from models.price.core.backbone import BLANK, LEVEL, Backbone
from models.price.core.basis import Floats, Ints
from models.price.evaluator.curves import Curves
from models.price.evaluator.encoding import Encoding, Row
from models.price.evaluator.pieces import EntryColumn, Interpolation, Ledger, Pieces
from models.price.evaluator.shapley import corner_game

MOST_KEPT = 256  # entries of one kind: what callers send must not fill the memory

_T = TypeVar("_T")


class KeptGames(Protocol):
    """The entries and moves that a `Plan` keeps of the games, for the rows of one key."""

    entries: list[dict[Any, int]]
    moves: dict[Any, Any]


class Game:
    """The level's blocks that depend on just these players, by their positions, summand by summand.

    `key_of`: the players' values of a row's, a tuple unless it is one player. `names`: all columns;
    `columns`: where it bends, each summand's number. `parts`: of the value, of each summand, "" for none.
    """

    def __init__(
        self, backbone: Backbone, encoding: Encoding, players: tuple[str, ...], blocks: list[list[int]]
    ) -> None:
        self.blocks = blocks
        self.positions = tuple(encoding.players.index(player) for player in players)
        self.key_of: Any = itemgetter(*self.positions) if self.positions else lambda values: ()
        own = [[backbone.blocks[at] for at in positions] for positions in blocks]
        self.names = tuple(
            dict.fromkeys(column for some in own for block in some for column in block.columns)
        )
        self.parts = [max((block.part for block in some), default="") for some in own]
        self.columns = [c for some in own for c in encoding.curved & {c for b in some for c in b.columns}]
        self.curves: list[int] = []


class Level:
    """All games of the level, for the rows of every key, each of one summand or, where it bends, of several.

    `parts`: of each summand. `movers`: each summand with each of its players.
    """

    def __init__(self, backbone: Backbone, pieces: Pieces, ledger: Ledger, encoding: Encoding) -> None:
        self._pieces, self._ledger, self._encoding = pieces, ledger, encoding
        self.games = _games_of(backbone, encoding)
        self.parts = [part for game in self.games for part in game.parts]
        groups: list[list[int]] = []
        columns: list[str] = []
        for game in self.games:
            if game.columns:
                game.curves = list(range(len(groups), len(groups) + len(game.blocks)))
                groups += game.blocks
                columns += game.columns
        self._curves = Curves(backbone, pieces, groups, columns)
        sizes = [len(game.blocks) for game in self.games]
        self._game = np.repeat(np.arange(len(sizes)), sizes)
        starts = np.cumsum([0, *sizes])[:-1]
        self._behind = np.arange(len(self.parts)) - starts[self._game]
        self.movers = [
            (at, position)
            for at in range(len(self.parts))
            for position in self.games[self._game[at]].positions
        ]
        self._of_movers = np.array([at for at, _ in self.movers], np.int64)
        self._positions = np.array([position for _, position in self.movers], np.int64)
        # Games of several players, and where their movers begin.
        of_game = [int(self._game[at]) for at, _ in self.movers]
        self._several = [
            (at, of_game.index(at)) for at, game in enumerate(self.games) if len(game.positions) > 1
        ]

    def positions(self, firsts: Ints) -> Ints:
        """(n, summands) positions in the ledger, from (n, games) those of each game's first summand."""
        return np.asarray(firsts.take(self._game, axis=1) + self._behind)

    def find(self, plans: Sequence[KeptGames], rows: Sequence[Row], games: Sequence[int]) -> Ints:
        """(n, games) where the first summands of n rows, each of its plan's key, stand in the ledger."""
        keys = [(game, self.games[game].key_of) for game in games]
        found = [
            [plan.entries[game].get(key_of(row.values), -1) for game, key_of in keys]
            for plan, row in zip(plans, rows, strict=True)
        ]
        return self.filled(np.array(found, np.int64).reshape(len(rows), len(games)), plans, rows, games)

    def filled(
        self, found: Ints, plans: Sequence[KeptGames], rows: Sequence[Row], games: Sequence[int]
    ) -> Ints:
        """The same (n, games), those made that were not kept (−1): all together."""
        if not found.size or found.min() >= 0:
            return found
        wanted: dict[int, dict[Any, list[int]]] = {}
        for row, order in np.argwhere(found < 0).tolist():
            key = plans[row], self.games[games[order]].key_of(rows[row].values)
            wanted.setdefault(order, {}).setdefault(key, []).append(row)
        for order, missing in wanted.items():
            made = self._made(self.games[games[order]], [rows[own[0]] for own in missing.values()])
            position = self._ledger.extend(made.reshape(-1, EntryColumn.COUNT))
            for (plan, values), own in missing.items():
                found[own, order] = plan.entries[games[order]][values] = position
                position += made.shape[1]
        return found

    def moves(
        self,
        plans: Sequence[KeptGames],
        rows: Sequence[Row],
        bases: Sequence[Row],
        steps: tuple[Floats, Floats],
    ) -> tuple[Floats, Floats]:
        """(movers, n) Shapley effects from bases to rows of the same keys: on the value, and on its parts.

        `steps`: (n, summands) what each of them differs by.
        """
        pairs = [zip(row.values, base.values, strict=True) for row, base in zip(rows, bases, strict=True)]
        differ = np.array([[own != other for own, other in pair] for pair in pairs])
        moved = differ.take(self._positions, axis=1)
        total, part = (side.take(self._of_movers, axis=1) * moved for side in steps)
        for game, start in self._several:
            several = moved[:, start : start + len(self.games[game].positions)].sum(axis=1) > 1
            for row in np.flatnonzero(several).tolist():
                effects = self._corners(plans[row], game, rows[row], bases[row])
                movers = slice(start, start + effects.shape[1])
                total[row, movers], part[row, movers] = effects
        return total.T, part.T

    def sums(self, plan: KeptGames, rows: Sequence[Row], games: Sequence[int]) -> Floats:
        """(n, summands, 2) what the summands of these games add for rows of one key, and without blanks."""
        firsts = self.find([plan] * len(rows), rows, games)
        sizes = [np.arange(len(self.games[game].blocks)) for game in games]
        positions = [first[:, None] + size for first, size in zip(firsts.T, sizes, strict=True)]
        return self._ledger.of(np.concatenate(positions, axis=1))[..., : EntryColumn.PART + 1]

    def _made(self, game: Game, rows: Sequence[Row]) -> Floats:
        """(n, summands of the game, …) entries of n rows."""
        table = self._encoding.table(rows, game.names)
        if game.columns:
            found = self._curves.between(table, game.curves)
            return self._pieces.between(Interpolation(found.at.T, found.beyond.T, found.share.T))
        at = np.array([[piece.at] for piece in self._pieces.of_each(game.blocks[0], table, len(rows))])
        return self._pieces.between(Interpolation(at, at, np.zeros(at.shape)))

    def _corners(self, plan: KeptGames, game: int, row: Row, base: Row) -> Floats:
        """(2, movers of the game) effects of the players of one game, several of which differ."""
        own = self.games[game]
        key = (game, own.key_of(row.values), own.key_of(base.values))
        found = plan.moves.get(key)
        if found is None:
            hybrids = []
            for corner in range(1 << len(own.positions)):
                values = list(base.values)
                for bit, position in enumerate(own.positions):
                    if corner >> bit & 1:
                        values[position] = row.values[position]
                hybrids.append(Row(row.key, tuple(values)))
            sums = self.sums(plan, hybrids, (game,)).T
            found = kept(plan.moves, key, corner_game(sums.reshape(-1, len(hybrids))).reshape(2, -1))
        return np.asarray(found)


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
            columns = (*curved, *sorted({*block.columns} - {*curved})) if curved else ()
            own.setdefault(columns, []).append(at)
    games = []
    for players, own in found.items():
        parts = {blocks[at].part for positions in own.values() for at in positions} - {""}
        if len(parts) > 1:
            raise ValueError(f"{' and '.join(players)} move two parts at once: {', '.join(sorted(parts))}")
        straight = own.pop((), [])
        several = list(own.values()) or [[]]
        several[0] = [*several[0], *straight]
        games.append(Game(backbone, encoding, players, several))
    return games
