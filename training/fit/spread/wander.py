"""Estimate how far a market may wander outside the days of its evidence."""

import numpy as np

from models.price.core.backbone import LEVEL
from models.price.core.basis import Ramps, product
from training.fit.design.problem import Problem
from training.fit.solve.solution import Solution


def drift_of(problem: Problem, est: Solution, time: str) -> float:
    """Return the variance per year, in log, of the market's level outside the days of the evidence.

    It is the sum of the prior variances of the market's random walks, and of the variance of its index's
    changes from year to year: a market that wandered while it was watched wanders on.
    """
    total = 0.0
    layout = problem.layout
    for block in layout.blocks:
        basis = block.bases[-1]
        # A single ramp is a trend, not a random walk.
        if isinstance(basis, Ramps) and basis.size > 1 and basis.column == time and block.role == LEVEL:
            spacing = basis.knots[1] - basis.knots[0]
            tau2 = float(est.tau2[layout.groups.index(block.group)])
            total += 0.0 if tau2 < 2.5e-5 else tau2 / spacing
    return total + _yearly_variance(problem, est, time)


def _yearly_variance(problem: Problem, est: Solution, time: str) -> float:
    layout, start, ends = problem.layout, 0, []
    own = []
    for block in layout.blocks:
        if block.columns == (time,) and block.role == LEVEL:
            own.append((block, start))
            ends += [knot for basis in block.bases if isinstance(basis, Ramps) for knot in basis.knots]
        start += block.size
    if not own or max(ends) - min(ends) < 3:
        return 0.0
    years = np.arange(min(ends), max(ends), 1.0)
    index = np.zeros(len(years))
    for block, first in own:
        at, value = product(block.bases, {time: years})
        index += (est.theta[first + at] * value).sum(axis=1)
    return float(np.var(np.diff(index)))
