"""What a fit learned about variances, by name, so that a later fit can start from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from training.fit.design.problem import Problem
from training.fit.solve.estimate import Estimate, first_estimate


@dataclass(frozen=True)
class Learned:
    """Prior variances by group, noise variances and tails by kind, and the cap."""

    tau2: Mapping[str, float]
    sigma2: tuple[float, ...]
    tails: tuple[float, ...]
    cap: float


def learned_of(problem: Problem, est: Estimate) -> Learned:
    """What this fit learned."""
    tau2 = dict(zip(problem.layout.groups, est.tau2.tolist(), strict=True))
    return Learned(tau2, tuple(est.sigma2.tolist()), tuple(est.tails.tolist()), est.cap)


def starting_from(problem: Problem, learned: Learned) -> Estimate:
    """A first guess on a new problem: what it shares with the old one is taken over."""
    first = first_estimate(problem, learned.cap)
    # A group that had fallen to nothing gets another chance, from a little above the line.
    tau2 = np.array([max(learned.tau2.get(g, 0.05), 1e-4) for g in problem.layout.groups])
    if len(learned.sigma2) != len(first.sigma2):
        return replace(first, tau2=tau2)
    return replace(first, tau2=tau2, sigma2=np.array(learned.sigma2), tails=np.array(learned.tails))
