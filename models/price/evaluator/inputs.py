"""What the trees see of rows, and which players move it."""

from __future__ import annotations

from collections.abc import Sequence
from operator import itemgetter
from typing import TYPE_CHECKING, Any

import numpy as np

from models.price.basis import Floats
from models.price.core import BLANKS, COLUMN, LOSS, NOT_KNOWN, PART, Input
from models.price.evaluator.encoding import Encoding, Row
from models.price.evaluator.losses import LossRules

if TYPE_CHECKING:
    from models.price.evaluator.level import Level

_DIGITS = 9  # after the point, of what trees see


class Inputs:
    """The p inputs of the trees. `blankable`: the players of those that count blanks.

    `movers`: of each input, who moves it: the places among the level's movers, then among the fields of
    losses, then among `blankable`, then among `readers`, in that order in one row.
    `readers`: the players of columns that are one player's alone.
    """

    def __init__(self, encoding: Encoding, inputs: Sequence[Input], level: Level, rules: LossRules) -> None:
        self._encoding, self._inputs = encoding, inputs
        blanks = {at: encoding.players_of(one.columns) for at, one in enumerate(inputs) if one.kind == BLANKS}
        self.blankable = [encoding.players.index(p) for own in blanks.values() for p in own]
        # `itemgetter` gives a tuple from two places on.
        self._blankable: Any = itemgetter(*self.blankable, 0, 0)
        self._read = _read(encoding, inputs)
        self.readers = [place for _, place in self._read]
        self._of_parts = _of_parts(inputs, level)
        # Where an input is the total of fewer summands than another, nothing is added: the last row.
        deepest = max((len(own) for _, own in self._of_parts), default=0)
        self._cells = np.full((deepest, len(inputs)), len(level.parts))
        for at, own in self._of_parts:
            self._cells[: len(own), at] = own
        self._of_losses = [
            (at, rules.parts.index(one.name))
            for at, one in enumerate(inputs)
            if one.kind == LOSS and one.name in rules.parts
        ]
        self._lossy = [at for at, _ in self._of_losses]
        self._loss_parts = [part for _, part in self._of_losses]
        self._loss_families = [rules.family_of_part[part] for part in self._loss_parts]
        self._of_blanks, start = [], 0
        for at, own in blanks.items():
            self._of_blanks.append((at, slice(start, start + len(own))))
            start += len(own)
        self.movers = self._movers(level, rules)

    def __len__(self) -> int:
        return len(self._inputs)

    def fixed(self, reference: Row) -> list[float]:
        """What trees see of a key: columns that no player moves, and 0 for all other inputs."""
        own = {at for at, _ in self._read}
        fixed = [one.kind == COLUMN and at not in own for at, one in enumerate(self._inputs)]
        pairs = zip(self._inputs, fixed, strict=True)
        return [float(self._column(one, [reference])[0]) if is_fixed else 0.0 for one, is_fixed in pairs]

    def blanks(self, rows: Sequence[Row]) -> Floats:
        """(n, blankable) 1 where a player is blank."""
        if not self.blankable:
            return np.zeros((len(rows), 0))
        get, count = self._blankable, len(self.blankable)
        return np.array([[value is None for value in get(row.values)[:count]] for row in rows], np.float64)

    def seen(
        self,
        rows: Sequence[Row],
        fixed: Floats,
        parts: Floats,
        losses: Floats,
        factors: Floats,
        blanks: Floats,
    ) -> Floats:
        """(n, p) what trees see of n rows, rounded: equal inputs must not differ by the order of their sums.

        `fixed`: (n, p) of their keys. `parts`: (n, summands) what each adds to its part. `losses`: (n,
        parts) at the scales `factors` (n, families) of the reference's switch: no other player moves those.
        """
        out = fixed.T.copy()
        for at, _ in self._read:
            out[at] = self._column(self._inputs[at], rows)
        if len(self._cells):
            every = np.concatenate([parts.T, np.zeros((1, len(rows)))])
            out += np.add.accumulate(every.take(self._cells, axis=0))[-1]
        if self._lossy:
            out[self._lossy] = (losses[:, self._loss_parts] * factors[:, self._loss_families]).T
        for at, own in self._of_blanks:
            out[at] = blanks[:, own].sum(axis=1)
        return np.ascontiguousarray(np.round(out, _DIGITS).T)

    def _column(self, one: Input, rows: Sequence[Row]) -> Floats:
        (name,) = one.columns
        found = np.asarray(self._encoding.table(rows, one.columns)[name], np.float64)
        return np.where(np.isnan(found), NOT_KNOWN, found)

    def _movers(self, level: Level, rules: LossRules) -> list[list[int]]:
        movers: list[list[int]] = [[] for _ in self._inputs]
        for at, own in self._of_parts:
            movers[at] = [place for place, (summand, _) in enumerate(level.movers) if summand in own]
        start = len(level.movers)
        for at, part in self._of_losses:
            span = rules.span_of_part(rules.parts[part])
            movers[at] = list(range(start + span.start, start + span.stop))
        start += len(rules.places)
        for at, blanks in self._of_blanks:
            movers[at] = list(range(start + blanks.start, start + blanks.stop))
        start += len(self.blankable)
        for place, (at, _) in enumerate(self._read):
            movers[at] = [start + place]
        return movers


def _of_parts(inputs: Sequence[Input], level: Level) -> list[tuple[int, list[int]]]:
    """The place of each input that is a total of the level, and the summands of that part."""
    return [
        (at, [summand for summand, part in enumerate(level.parts) if part == one.name])
        for at, one in enumerate(inputs)
        if one.kind == PART
    ]


def _read(encoding: Encoding, inputs: Sequence[Input]) -> list[tuple[int, int]]:
    """The place of each input that is a column of one player, and that player's place.

    Raises ValueError for a column of two players: their shares in its effect would be anyone's guess.
    """
    found = []
    for at, one in enumerate(inputs):
        players = encoding.players_of(one.columns) if one.kind == COLUMN else ()
        if len(players) > 1:
            raise ValueError(f"the trees' column {one.name} depends on {' and '.join(players)}")
        if players:
            found.append((at, encoding.players.index(players[0])))
    return found
