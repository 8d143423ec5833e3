"""The inputs that the trees see of rows, and the sources that move them."""

from __future__ import annotations

from collections.abc import Sequence
from operator import itemgetter
from typing import Any

import numpy as np

from models.price.core.basis import Floats, Ints
from models.price.core.core import BLANKS, COLUMN, LOSS, NOT_KNOWN, PART, Input
from models.price.evaluator.encoding import Encoding, Row
from models.price.evaluator.level import Level
from models.price.evaluator.losses import LossRules

_DIGITS = 9  # after the point, of what trees see


class Inputs:
    """The p inputs of the trees, each a sum of `sources`.

    The sources stand in this order: the level's summands, the loss fields, the players `blankable` of the
    inputs that count blanks, and the players `readers` of the columns that are one player's alone.
    """

    def __init__(self, encoding: Encoding, inputs: Sequence[Input], level: Level, rules: LossRules) -> None:
        """Raises ValueError for a column of two players: who has which share of it would be arbitrary."""
        self._encoding, self._inputs = encoding, inputs
        positions: dict[str, list[int]] = {BLANKS: [], COLUMN: []}
        self.sources: list[list[int]] = []
        for one in inputs:
            own = [encoding.players.index(p) for p in encoding.players_of(one.columns)]
            if one.kind == COLUMN and len(own) > 1:
                raise ValueError(f"the trees' column {one.name} depends on {len(own)} players")
            if one.kind in positions:
                self.sources.append([len(positions[one.kind]) + n for n in range(len(own))])
                positions[one.kind] += own
            else:
                parts = level.parts if one.kind == PART else rules.parts
                self.sources.append([at for at, part in enumerate(parts) if part == one.name])
        self.blankable, self.readers = positions[BLANKS], positions[COLUMN]
        start = len(level.parts) + len(rules.positions)
        before = {PART: 0, LOSS: len(level.parts), BLANKS: start, COLUMN: start + len(self.blankable)}
        self.sources = [
            [before[one.kind] + at for at in own] for one, own in zip(inputs, self.sources, strict=True)
        ]
        # `itemgetter` gives a tuple from two positions on.
        self._blankable: Any = itemgetter(*self.blankable, 0, 0)
        self._cells = padded(self.sources, start + len(self.blankable) + len(self.readers))

    def fixed(self, reference: Row) -> list[float]:
        """The part of the inputs that a key fixes: columns that no player moves, and 0 for all others."""
        pairs = zip(self._inputs, self.sources, strict=True)
        columns = [one if one.kind == COLUMN and not own else None for one, own in pairs]
        return [0.0 if one is None else float(self._column(one, [reference])[0]) for one in columns]

    def blanks(self, rows: Sequence[Row]) -> Floats:
        """(n, blankable) 1 where a player is blank."""
        get, count = self._blankable, len(self.blankable)
        found = [[value is None for value in get(row.values)[:count]] for row in rows]
        return np.array(found, np.float64).reshape(len(rows), count)

    def seen(self, rows: Sequence[Row], fixed: Floats, sources: Sequence[Floats]) -> Floats:
        """(n, p) what trees see of n rows, rounded: equal inputs must not differ by the order of their sums.

        `fixed`: (n, p) of their keys. `sources`: (…, n) of summands, losses at the scales of the reference's
        switch, which no other player moves, and blanks.
        """
        pairs = zip(self._inputs, self.sources, strict=True)
        read = [self._column(one, rows)[None] for one, own in pairs if one.kind == COLUMN and own]
        if not len(self._cells):
            return fixed
        every = np.concatenate([*sources, *read, np.zeros((1, len(rows)))])
        total = np.add.accumulate(every.take(self._cells, axis=0))[-1]
        return np.ascontiguousarray(np.round(fixed + total.T, _DIGITS))

    def _column(self, one: Input, rows: Sequence[Row]) -> Floats:
        (name,) = one.columns
        found = np.asarray(self._encoding.table(rows, one.columns)[name], np.float64)
        return np.where(np.isnan(found), NOT_KNOWN, found)


def padded(lists: Sequence[Sequence[int]], filler: int) -> Ints:
    """(m, p) the p lists as columns; where one is shorter than another the filler, which adds nothing."""
    out = np.full((max(map(len, lists), default=0), len(lists)), filler)
    for at, own in enumerate(lists):
        out[: len(own), at] = own
    return out
