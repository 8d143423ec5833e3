"""Statements about how much more one row brings than another, which a fit takes as informative priors."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.price.core.backbone import Block
from models.price.core.basis import Basis, Floats, Levels, Table
from training.fit.design.problem import Bools
from training.fit.design.terms import BackboneTerm


@dataclass(frozen=True)
class Statements:
    """m statements, each about a row of `first` against the same row of `second`.

    `gaps`: for a statement about a gap of other evidence than sales, the beginning of the gap's level, else
    "". `y`: (m,) log of what the first brings as a share of the second. `width`: (m,) standard deviation, in
    log, of the span that each gives. `sales`: (m,) the number of sales that each is as strong as. `overlap`:
    (m, m) whether two are about the same. `silent`: columns of names, of which no statement says anything.
    `scatter`: group → usual prior variance.
    """

    first: Table
    second: Table
    gaps: Sequence[str]
    y: Floats
    width: Floats
    sales: Floats
    overlap: Bools
    silent: frozenset[str]
    scatter: Mapping[str, float]

    def extended(self, block: Block) -> Block:
        """The block with a column for every level that a statement is about."""
        return replace(block, bases=tuple(self._extended(basis) for basis in block.bases))

    def fitted(self, term: BackboneTerm, table: Table) -> Block | None:
        """The term's block on the data alone, or, where they cannot carry it, with what statements say."""
        block = term.fitted(table)
        if block is None:
            both = {n: np.concatenate([table[n], self.first[n], self.second[n]]) for n in self.first}
            block = term.fitted({**table, **both})
            if block is not None and not self._varied.issuperset(block.columns):
                return None
        return block and self.extended(block)

    def _extended(self, basis: Basis) -> Basis:
        if not isinstance(basis, Levels) or basis.column in self.silent or basis.column not in self.first:
            return basis
        said = {str(level) for side in (self.first, self.second) for level in side[basis.column] if level}
        return Levels(basis.column, tuple(sorted({*basis.levels, *said})), basis.unknown)

    @property
    def _varied(self) -> frozenset[str]:
        """The columns in which the two sides of some statement differ."""
        sides = ((name, self.first[name], self.second[name]) for name in self.first)
        # Not known on both sides is no difference, though NaN is unequal to itself.
        return frozenset(n for n, one, two in sides if ((one != two) & ((one == one) | (two == two))).any())
