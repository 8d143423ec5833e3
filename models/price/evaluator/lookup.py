"""Gather the cached entries of many rows into arrays."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from models.price.core.backbone import row_sums
from models.price.core.basis import Floats, Ints
from models.price.evaluator.encoding import Row
from models.price.evaluator.pieces import EntryColumn
from models.price.evaluator.plan import Memory, Plan


class Lookup(NamedTuple):
    """The cached entries of n rows, gathered into arrays.

    `plans`: the plan of each row's key. `entries`: (entry columns, n, summands and loss fields); `losses`:
    the entries of the loss fields alone. `scales`: (n, …) rows of `Memory.scales`. `blanks`: (n, …) 1 for
    each blank player whose blanks the trees count. `inputs`, `level`, `taken`, `told`: as in
    `models.price.evaluator.evaluator.ValueParts`.
    """

    memory: Memory
    plans: Sequence[Plan]
    rows: Sequence[Row]
    entries: Floats
    losses: Floats
    scales: Floats
    blanks: Floats
    inputs: Floats
    level: Floats
    taken: Floats
    told: Floats

    @property
    def factors(self) -> Floats:
        """(n, k) scales of the losses of k loss fields."""
        return self.scales[:, : len(self.memory.rules.positions)]

    def some(self, rows: slice) -> "Lookup":
        """Return the lookup of some of the rows."""
        by_column = self.entries[:, rows], self.losses[:, rows]
        return Lookup(
            self.memory, self.plans[rows], self.rows[rows], *by_column, *(side[rows] for side in self[5:])
        )


def looked_up(memory: Memory, plans: Sequence[Plan], rows: Sequence[Row], positions: Ints) -> Lookup:
    """Gather the entries of n rows at these (n, …) positions, which `Memory.find` returned for the rows."""
    entries, count = memory.of(positions), len(memory.level.parts)
    losses, k = np.ascontiguousarray(entries[:, :, count:]), len(memory.rules.positions)
    scales = memory.scales.of([plan.scale_of(row) for plan, row in zip(plans, rows, strict=True)])
    blanks, fixed = memory.inputs.blanks(rows), scales[:, 2 * k + len(memory.families) :]
    of_losses = losses[EntryColumn.TOTAL] * scales[:, k : 2 * k]
    sources = (entries[EntryColumn.PART, :, :count].T, of_losses.T, blanks.T)
    seen = memory.inputs.seen(rows, fixed, sources)
    level = memory.intercept + row_sums(entries[EntryColumn.TOTAL, :, :count])
    taken, told = memory.rules.taken(losses, scales[:, :k]), memory.rules.told(losses)
    return Lookup(memory, plans, rows, entries, losses, scales, blanks, seen, level, taken, told)


def weights_of(found: Lookup) -> tuple[Ints, Floats]:
    """Return (m, n) positions of pieces, and (m, n) derivatives of n values by them, as weights.

    The weighted sum of pieces is a linear approximation of each value, from which its variance follows.
    """
    memory, n = found.memory, len(found.rows)
    of_fields, of_scales = memory.rules.slopes(found.losses, found.factors)
    whole = np.concatenate([np.ones((n, len(memory.level.parts))), of_fields], axis=1)
    other = whole * found.entries[EntryColumn.SHARE]
    start = 2 * of_fields.shape[1]
    of_factors = found.scales[:, start : start + len(memory.families)]
    intercept = np.full((n, 1), memory.intercept_at)
    at = [intercept, found.entries[EntryColumn.AT], found.entries[EntryColumn.BEYOND], of_factors]
    weights = [np.ones((n, 1)), whole - other, other, of_scales]
    positions = np.concatenate(at, axis=1).T.astype(np.int64)
    return positions, np.ascontiguousarray(np.concatenate(weights, axis=1).T)
