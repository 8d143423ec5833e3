"""The level of a value as a sum of games, whose entries are cached by the values of their players.

A game, Shapley's term, is the sum of the level's blocks that depend on the same few players. It has one
summand or, if it depends on numbers that are interpolated, one for each of these curves.
"""

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

MOST_KEPT = 256  # Most cached entries of one kind, so that no caller can fill the memory.

_T = TypeVar("_T")


class KeptGames(Protocol):
    """The entries and effects of games that a `Plan` caches for the rows of one key."""

    entries: list[dict[Any, int]]
    moves: dict[Any, Any]


class Game:
    """The level's blocks that depend on the same players, divided into summands.

    `blocks`: positions of each summand's blocks. `key_of`: gets the players' values from a row's values.
    `names`: all columns of the blocks. `columns`: the interpolated number of each summand; empty if there is
    none. `curves`: positions of the summands' curves. `parts`: the part of the value of each summand, or "".
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
    """All games of the level, for rows of every key.

    `parts`: the part of the value of each summand, or "". `movers`: pairs of a summand and a player of it.
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
        # Each game of several players, with the position of its first mover.
        of_game = [int(self._game[at]) for at, _ in self.movers]
        self._several = [
            (at, of_game.index(at)) for at, game in enumerate(self.games) if len(game.positions) > 1
        ]

    def positions(self, firsts: Ints) -> Ints:
        """Return (n, summands) positions in the ledger, from (n, games) positions of first summands."""
        return np.asarray(firsts.take(self._game, axis=1) + self._behind)

    def find(self, plans: Sequence[KeptGames], rows: Sequence[Row], games: Sequence[int]) -> Ints:
        """Return (n, games) ledger positions of each game's first summand, for n rows and their plans."""
        keys = [(game, self.games[game].key_of) for game in games]
        found = [
            [plan.entries[game].get(key_of(row.values), -1) for game, key_of in keys]
            for plan, row in zip(plans, rows, strict=True)
        ]
        return self.filled(np.array(found, np.int64).reshape(len(rows), len(games)), plans, rows, games)

    def filled(
        self, found: Ints, plans: Sequence[KeptGames], rows: Sequence[Row], games: Sequence[int]
    ) -> Ints:
        """Return (n, games) positions with missing ones (−1) filled in; entries are made together."""
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
        """Return (movers, n) Shapley effects from bases to rows of the same keys: on values, and on parts.

        `steps`: (n, summands) differences of what the summands add to the value, and to a part of it.
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
        """Return (n, summands, 2): what each summand of these games adds to the value, and to its part of it.

        All rows must have the plan's key.
        """
        firsts = self.find([plan] * len(rows), rows, games)
        sizes = [np.arange(len(self.games[game].blocks)) for game in games]
        positions = [first[:, None] + size for first, size in zip(firsts.T, sizes, strict=True)]
        return self._ledger.of(np.concatenate(positions, axis=1))[..., : EntryColumn.PART + 1]

    def _made(self, game: Game, rows: Sequence[Row]) -> Floats:
        """Compute the (n, summands of the game, …) entries of n rows."""
        table = self._encoding.table(rows, game.names)
        if game.columns:
            found = self._curves.between(table, game.curves)
            return self._pieces.between(Interpolation(found.at.T, found.beyond.T, found.share.T))
        at = np.array([[piece.at] for piece in self._pieces.of_each(game.blocks[0], table, len(rows))])
        return self._pieces.between(Interpolation(at, at, np.zeros(at.shape)))

    def _corners(self, plan: KeptGames, game: int, row: Row, base: Row) -> Floats:
        """Return the (2, movers of the game) effects of one game in which several players differ."""
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
    """Cache an entry under a key and return it; a full cache is emptied first."""
    if len(found) >= MOST_KEPT:
        found.clear()
    found[key] = entry
    return entry


def _games_of(backbone: Backbone, encoding: Encoding) -> list[Game]:
    """Group the level's blocks into games by their players, and within a game into summands by their columns.

    Only blocks with an interpolated column make summands of their own; all others join the first summand.
    Curves are separate because their knots are cached once for all keys. Raises ValueError for a block over
    two interpolated columns, which is not linear between knots, and for a game whose blocks belong to two
    parts of the value.
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
