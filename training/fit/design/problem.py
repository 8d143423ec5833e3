"""The evidence as one regression problem: design matrix, targets, noise kinds and prior groups."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from models.price.core.backbone import LEVEL, Block, Role, RoleKind, design
from models.price.core.basis import Floats, Ints, Table

Bools = NDArray[np.bool_]
# The gap level of a closed sale. A gap is the mean log difference of asking prices or offers from sales.
SALE = ""


@dataclass(frozen=True)
class Layout:
    """The order of the p design columns: blocks first, then the intercept, then one gap per gap level.

    `role`, `group`: (p,) position of each column's role in `roles` and of its prior group in `groups`.
    `flat`: (groups,) True for a flat prior.
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
        """The position of the intercept's column, which equals the number of columns of all blocks."""
        return len(self.role) - len(self.gaps) - 1

    @property
    def nonnegative(self) -> Bools:
        """(p,) True for the coefficients of losses and blanks, which are not negative."""
        return np.array([role.nonnegative for role in self.roles])[self.role]

    @property
    def scales(self) -> Bools:
        """(groups,) True for prior groups of the scales of losses."""
        out = np.zeros(len(self.groups), bool)
        out[self.group[[self.roles[r].kind is RoleKind.SCALE for r in self.role]]] = True
        return out


def layout_of(blocks: Sequence[Block], gaps: Sequence[str]) -> Layout:
    """Return the layout of the design columns for these blocks and gap levels."""
    roles = tuple(dict.fromkeys([LEVEL, *(b.role for b in blocks)]))
    groups = tuple(dict.fromkeys([*(b.group for b in blocks), "given"]))
    sizes = [*(b.size for b in blocks), 1 + len(gaps)]
    role = np.repeat([*(roles.index(b.role) for b in blocks), 0], sizes)
    group = np.repeat([*(groups.index(b.group) for b in blocks), len(groups) - 1], sizes)
    flat = np.array([any(b.group == g and not b.pooled for b in blocks) for g in groups])
    flat[-1] = True
    return Layout(tuple(blocks), tuple(gaps), roles, role, groups, group, flat)


@dataclass(frozen=True)
class Contrasts:
    """The m rules of common practice (statements) as pairs of design rows: `first`, `second`, (m, p) each.

    `y`: (m,) the stated log price ratio, first to second. `width`: (m,) standard deviation of the stated
    span, in log. `sales`: (m,) the number of sales that each counts as, 0 for one that is not used. `group`:
    (m,) the prior group of the effect that each is about, without curves and steps. `square`: (m,) the sum of
    its squared slopes in that group. `mean`: (p,) prior means of the coefficients by the statements. `usual`:
    (groups,) stated prior variance, which counts as one more coefficient; 0 for none. `overlap`: (m, m) True
    where two are about the same field. `trust`: (m,) weight from 0 to 1 (`training.fit.solve.trust`).
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
        """Return the (m,) variances of the stated log ratios, infinite for statements that are not used.

        Each is the variance of the span plus 2 σ² / n, that of the mean difference of n pairs of sales.
        `sigma2`: noise variance of a sale.
        """
        of_sales = np.divide(2 * sigma2, self.sales, out=np.full(len(self.y), np.inf), where=self.sales > 0)
        return np.asarray(self.width**2 + of_sales)

    def least_variances(self, sigma2: float) -> Floats:
        """Return (groups,) least prior variances: at these the prior is as sure as its weakest statement."""
        least = np.zeros(len(self.usual))
        about = (self.sales > 0) & (self.square > 0)
        np.maximum.at(least, self.group[about], self.variance(sigma2)[about] / self.square[about])
        return least


@dataclass(frozen=True)
class Problem:
    """The regression problem: n rows of evidence, and the rules of common practice as `contrasts`.

    `x`: (n, p) design. `y`: (n,) log price. `kind`: (n,) noise kind, 0 for sales. `spread`: (n,) factor on
    the noise variance.
    """

    layout: Layout
    x: sp.csr_matrix
    y: Floats
    kind: Ints
    spread: Floats
    contrasts: Contrasts | None = None

    def rows(self, keep: Bools | Ints) -> "Problem":
        """Return the problem on some of its rows, with all rules of common practice."""
        own = self.x[keep], self.y[keep], self.kind[keep], self.spread[keep]
        return Problem(self.layout, *own, self.contrasts)


def matrix(layout: Layout, table: Table, gap: Sequence[str] | None = None) -> sp.csr_matrix:
    """Return the (n, p) design matrix of a table. `gap`: (n,) gap levels; without them all rows are sales."""
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
