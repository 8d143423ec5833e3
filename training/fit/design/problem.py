"""The evidence as one regression problem: design matrix, targets, noise kinds and prior groups."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from models.price.core.backbone import LEVEL, Block, Role, RoleKind, design
from models.price.core.basis import Floats, Ints, Table

Bools = NDArray[np.bool_]
SALE = ""  # the gap level of a closed sale: it has no gap to its value


@dataclass(frozen=True)
class Layout:
    """The order of the p design columns: blocks first, then the intercept, then one gap per gap level.

    `role`, `group`: (p,) positions in `roles` and `groups`. `flat`: (groups,) True for a flat prior.
    """

    blocks: tuple[Block, ...]
    gaps: tuple[str, ...]
    roles: tuple[Role, ...]
    role: Ints
    groups: tuple[str, ...]
    group: Ints
    flat: Bools

    @property
    def intercept(self) -> int:
        """The column of the intercept; also the number of columns that blocks have."""
        return len(self.role) - len(self.gaps) - 1

    @property
    def nonnegative(self) -> Bools:
        """(p,) True for the coefficients of losses and blanks."""
        return np.array([role.nonnegative for role in self.roles])[self.role]

    @property
    def scales(self) -> Bools:
        """(groups,) True for groups of scales."""
        out = np.zeros(len(self.groups), bool)
        out[self.group[[self.roles[r].kind is RoleKind.SCALE for r in self.role]]] = True
        return out


def layout_of(blocks: Sequence[Block], gaps: Sequence[str]) -> Layout:
    """The layout of these blocks and gap levels."""
    roles = tuple(dict.fromkeys([LEVEL, *(b.role for b in blocks)]))
    groups = tuple(dict.fromkeys([*(b.group for b in blocks), "given"]))
    sizes = [b.size for b in blocks]
    rest = 1 + len(gaps)
    role = np.concatenate(
        [np.repeat([roles.index(b.role) for b in blocks], sizes), np.zeros(rest, np.int64)]
    ).astype(np.int64)
    group = np.concatenate(
        [np.repeat([groups.index(b.group) for b in blocks], sizes), np.full(rest, len(groups) - 1)]
    ).astype(np.int64)
    flat = np.array([any(b.group == g and not b.pooled for b in blocks) for g in groups])
    flat[-1] = True
    return Layout(tuple(blocks), tuple(gaps), roles, role, groups, group, flat)


@dataclass(frozen=True)
class Contrasts:
    """m statements about how much more a row of `first` brings than that of `second`, both (m, p) designs.

    `y`: (m,) log of what the first brings as a share of the second. `width`: (m,) standard deviation, in
    log, of the span that each gives. `sales`: (m,) the number of sales that each is as strong as, 0 for one
    that says nothing. `group`: (m,) the group of the plain effect that each is about. `square`: (m,) the sum
    of the squared slopes in that group. `mean`: (p,) prior means: coefficients of plain effects that say what
    is stated. `usual`: (groups,) a prior variance that one more coefficient of each group speaks for, 0 for
    none. `overlap`: (m, m) whether two speak of the same. `trust`: (m,) how far each is borne out, from 0 to
    1 (`training.fit.solve.trust`).
    """

    first: sp.csr_matrix
    second: sp.csr_matrix
    y: Floats
    width: Floats
    sales: Floats
    group: Ints
    square: Floats
    mean: Floats
    usual: Floats
    overlap: Bools
    trust: Floats

    def variance(self, sigma2: float) -> Floats:
        """(m,) of each statement, infinite for one that says nothing; `sigma2`: the noise of a sale.

        That of its span, and that of the mean of n differences of two sales, 2 σ² / n.
        """
        of_sales = np.divide(2 * sigma2, self.sales, out=np.full(len(self.y), np.inf), where=self.sales > 0)
        return np.asarray(self.width**2 + of_sales)

    def least_variances(self, sigma2: float) -> Floats:
        """(groups,) the smallest prior variance by which the prior alone says no more than any statement."""
        least = np.zeros(len(self.usual))
        about = (self.sales > 0) & (self.square > 0)
        np.maximum.at(least, self.group[about], self.variance(sigma2)[about] / self.square[about])
        return least


@dataclass(frozen=True)
class Problem:
    """n rows of evidence, and what is stated besides.

    `y`: log price. `kind`: (n,) noise kind, 0 for sales. `spread`: (n,) variance factor.
    """

    layout: Layout
    x: sp.csr_matrix
    y: Floats
    kind: Ints
    spread: Floats
    contrasts: Contrasts | None = None

    def rows(self, keep: Bools | Ints) -> Problem:
        """The same problem on some of its rows; what is stated stays."""
        own = self.x[keep], self.y[keep], self.kind[keep], self.spread[keep]
        return Problem(self.layout, *own, self.contrasts)


def matrix(layout: Layout, table: Table, gap: Sequence[str] | None = None) -> sp.csr_matrix:
    """The (n, p) design of a table; without `gap` every row is a sale."""
    index, value = design(layout.blocks, table)
    n, p = len(value), len(layout.role)
    position = {g: layout.intercept + 1 + i for i, g in enumerate(layout.gaps)}
    extra_index = np.full((n, 2), layout.intercept)
    extra_value = np.tile([1.0, 0.0], (n, 1))
    for row, level in enumerate(gap or ()):
        if level != SALE:
            extra_index[row, 1], extra_value[row, 1] = position[level], 1.0
    index = np.concatenate([index, extra_index], axis=1)
    value = np.concatenate([value, extra_value], axis=1)
    rows = np.repeat(np.arange(n), index.shape[1])
    x = sp.csr_matrix((value.ravel(), (rows, index.ravel())), shape=(n, p))
    x.eliminate_zeros()
    return x
