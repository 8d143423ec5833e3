"""Turn rules of common practice (statements) into design rows, which a fit takes as informative priors."""

import math

import numpy as np
import scipy.sparse as sp

from models.price.core.basis import Floats, Ints
from training.fit.design.problem import Bools, Contrasts, Layout, matrix
from training.fit.design.statements import Statements
from training.fit.solve.fitted_values import jacobian
from training.fit.solve.normal_equations import bounded

_LEAST_WIDTH = 1e-3  # Least standard deviation of a stated span, in log.
_LEAST_RIDGE = 1e-3  # Precision of a ridge, which picks the smallest of the coefficients that fit alike.


def contrasts_of(statements: Statements, layout: Layout) -> Contrasts:
    """Return the statements as pairs of design rows, in which columns of names (`silent`) are 0."""
    silent = np.zeros(len(layout.role), bool)
    start = 0
    for block in layout.blocks:
        silent[start : start + block.size] = not statements.silent.isdisjoint(block.columns)
        start += block.size
    keep = sp.diags((~silent).astype(np.float64))
    first, second = ((matrix(layout, side) @ keep).tolil() for side in (statements.first, statements.second))
    about = np.ones(len(statements.y), bool)
    for row, begins in enumerate(statements.gaps):
        if begins:
            own = [at for at, gap in enumerate(layout.gaps) if gap.startswith(begins)]
            about[row] = bool(own)
            for at in own:
                first[row, layout.intercept + 1 + at] = 1.0 / len(own)
    # A rule on asking prices or offers is not used where the evidence has none of them.
    sales = np.where(about, statements.sales, 0.0)
    first, second = first.tocsr(), second.tocsr()
    # With all coefficients 0 and no cap, losses do not saturate, so that the stated ratios are linear.
    slope = sum(
        sign * jacobian(layout, side, np.zeros(len(layout.role)), math.inf)
        for sign, side in ((1, first), (-1, second))
    ).tocsr()
    group, square = _plain_effects(layout, slope.power(2))
    stated = np.isin(np.arange(len(layout.groups)), group[about & (square > 0)])
    mean = _stated_means(layout, slope[about], statements.y[about], statements.width[about], stated)
    usual = _usual_variances(group, square, np.where(about, statements.y, 0.0), len(layout.groups))
    for name, variance in statements.scatter.items():
        if name in layout.groups:
            usual[layout.groups.index(name)] = variance
    said, trust = statements, np.ones(len(sales))
    return Contrasts(
        first, second, said.y, said.width, sales, group, square, mean, usual, said.overlap, trust
    )


def _plain_effects(layout: Layout, squares: sp.csr_matrix) -> tuple[Ints, Floats]:
    """Return the first prior group in which each statement has slopes, and its sum of `squares` there."""
    of_group = np.stack([squares @ (layout.group == g) for g in range(len(layout.groups))], axis=1)
    first = np.argmax(of_group > 0, axis=1)
    return first, of_group[np.arange(len(first)), first]


def _stated_means(layout: Layout, slope: sp.csr_matrix, y: Floats, width: Floats, groups: Bools) -> Floats:
    """Return (p,) prior means: the coefficients of these groups that best fit the statements and their spans.

    A prior with mean 0 would shrink small stated effects away, although they are as sure as large ones.
    """
    own = np.flatnonzero(groups[layout.group])
    rows, precision = slope[:, own].toarray(), 1 / np.maximum(width, _LEAST_WIDTH) ** 2
    squares = (rows.T * precision) @ rows + _LEAST_RIDGE * np.eye(len(own))
    mean = np.zeros(len(layout.role))
    if len(own):
        mean[own] = bounded(squares, rows.T @ (precision * y), layout.nonnegative[own])[0]
    return mean


def _usual_variances(group: Ints, square: Floats, y: Floats, groups: int) -> Floats:
    """Return, by group, the median prior variance that makes half of a stated y one standard deviation."""
    size = np.divide((y / 2) ** 2, square, out=np.zeros(len(y)), where=square > 0)
    sizes = [size[(group == g) & (size > 0)] for g in range(groups)]
    return np.array([np.median(one) if len(one) else 0.0 for one in sizes])
