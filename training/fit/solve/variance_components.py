"""The variances that a fit learned, by name, so that a later fit can start from them."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from training.fit.design.problem import Problem
from training.fit.solve.solution import Solution, first_solution


@dataclass(frozen=True)
class VarianceComponents:
    """Prior variances by group, noise variances and degrees of freedom by kind, and the cap on losses."""

    tau2: Mapping[str, float]
    sigma2: tuple[float, ...]
    degrees_of_freedom: tuple[float, ...]
    cap: float


def variance_components_of(problem: Problem, est: Solution) -> VarianceComponents:
    """Return the variances that this fit learned, by name."""
    tau2 = dict(zip(problem.layout.groups, est.tau2.tolist(), strict=True))
    return VarianceComponents(
        tau2, tuple(est.sigma2.tolist()), tuple(est.degrees_of_freedom.tolist()), est.cap
    )


def starting_from(problem: Problem, learned: VarianceComponents) -> Solution:
    """Return a start from learned variances; noise is taken over only for as many kinds of evidence."""
    first = first_solution(problem, learned.cap)
    # A group that had been dropped gets another chance, from a variance a little above the limit.
    tau2 = np.array([max(learned.tau2.get(g, 0.05), 1e-4) for g in problem.layout.groups])
    if len(learned.sigma2) != len(first.sigma2):
        return replace(first, tau2=tau2)
    return replace(
        first,
        tau2=tau2,
        sigma2=np.array(learned.sigma2),
        degrees_of_freedom=np.array(learned.degrees_of_freedom),
    )
