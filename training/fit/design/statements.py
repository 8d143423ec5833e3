"""Rules of common practice as price ratios between two rows (statements), which a fit takes as priors."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.price.core.backbone import Block
from models.price.core.basis import Basis, Floats, Levels, Table
from training.fit.design.problem import Bools
from training.fit.design.terms import BackboneTerm


@dataclass(frozen=True)
class Statements:
    """The m statements, each on how much more a row of `first` brings than the same row of `second`.

    `gaps`: for a statement on asking prices or offers, the start of their gap's level, else "". `y`: (m,) the
    stated log price ratio, first to second. `width`: (m,) standard deviation of the stated span, in log.
    `sales`: (m,) the number of sales that each counts as. `overlap`: (m, m) True where two share a field.
    `silent`: columns of names, which no statement is about. `scatter`: prior group → stated prior variance.
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
        """Return the block with design columns added for levels that occur only in statements."""
        return replace(block, bases=tuple(self._extended(basis) for basis in block.bases))

    def fitted(self, term: BackboneTerm, table: Table) -> Block | None:
        """Fit the term's block to the data or, if they are too few, to data and statements together.

        Return None if both fail, or if statements do not vary all of the block's columns.
        """
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
        # Two unknown values (NaN) are no difference, though NaN is unequal to itself.
        return frozenset(n for n, one, two in sides if ((one != two) & ((one == one) | (two == two))).any())
