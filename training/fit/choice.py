"""Which of several backbones the data bear out."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from training.fit.core import Data, Fitted, Specification, fit_core

_MARGIN = (
    3.0  # nats that a richer one must win by: a column that says nothing leaves the evidence about as it is
)


def most_evident(
    data: Data,
    specs: Iterable[Specification],
    seed: int = 0,
    step_done: Callable[[], object] = lambda: None,
) -> tuple[Specification, Fitted]:
    """The specification with the most evidence, and its backbone's fit, without trees.

    `specs`: each richer than the one before; the first that the data do not bear out ends the search. The
    evidence (log marginal likelihood) pays for every column that is not needed, where left-out errors under
    variances that were learned on all rows do not.
    """
    best: tuple[Specification, Fitted] | None = None
    for spec in specs:
        fitted = fit_core(data, replace(spec, forest=()), seed, step_done=step_done)
        if best is not None and fitted.estimate.log_evidence < best[1].estimate.log_evidence + _MARGIN:
            break
        best = spec, fitted
    if best is None:
        raise ValueError("no specification was given to choose from")
    return best
