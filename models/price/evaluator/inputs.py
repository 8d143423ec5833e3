"""The inputs of the trees, computed as sums of sources (see `Inputs`)."""

from collections.abc import Sequence
from operator import itemgetter
from typing import Any

import numpy as np

from models.price.core.basis import Floats, Ints
from models.price.core.core import BLANKS, COLUMN, LOSS, NOT_KNOWN, PART, Input
from models.price.evaluator.encoding import Encoding, Row
from models.price.evaluator.level import Level
from models.price.evaluator.losses import LossRules

_DIGITS = 9  # Decimals to which the inputs of the trees are rounded.


class Inputs:
    """The p inputs of the trees, each a sum of sources.

    The sources are, in this order: the level's summands, the loss fields, the players whose blanks are
    counted (`blankable`), and the players that a number column depends on (`readers`). `sources`: the
    positions of each input's sources.
    """

    def __init__(self, encoding: Encoding, inputs: Sequence[Input], level: Level, rules: LossRules) -> None:
        """Raise ValueError for a column of two players, as its effect could not be divided between them."""
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
        # Two more positions, because `itemgetter` returns a tuple only for two or more.
        self._blankable: Any = itemgetter(*self.blankable, 0, 0)
        self._cells = padded(self.sources, start + len(self.blankable) + len(self.readers))

    def fixed(self, reference: Row) -> list[float]:
        """Return the p inputs that a key alone decides: number columns without a player, 0 for all others."""
        pairs = zip(self._inputs, self.sources, strict=True)
        columns = [one if one.kind == COLUMN and not own else None for one, own in pairs]
        return [0.0 if one is None else float(self._column(one, [reference])[0]) for one in columns]

    def blanks(self, rows: Sequence[Row]) -> Floats:
        """Return an (n, blankable) array with 1 where a player is blank, else 0."""
        get, count = self._blankable, len(self.blankable)
        found = [[value is None for value in get(row.values)[:count]] for row in rows]
        return np.array(found, np.float64).reshape(len(rows), count)

    def seen(self, rows: Sequence[Row], fixed: Floats, sources: Sequence[Floats]) -> Floats:
        """Return the (n, p) inputs of n rows, rounded so that the order of summing cannot make them differ.

        `fixed`: (n, p) inputs that the keys decide. `sources`: arrays (…, n) of the level's summands, of the
        losses (at the reference's scales, so that a change of scale does not move them), and of the blanks.
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
    """Return p lists as the columns of an (m, p) array; shorter ones are filled up with `filler`."""
    out = np.full((max(map(len, lists), default=0), len(lists)), filler)
    for at, own in enumerate(lists):
        out[: len(own), at] = own
    return out
