"""Fit a core on any table: the one path that instruments and open data sets both take."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from models.price.backbone import Backbone
from models.price.basis import Floats, Ints, Table
from models.price.core import Core, Input
from models.price.evaluator.encoding import Encoding, Row
from models.price.evaluator.evaluator import Evaluator
from models.price.hidden import Hidden
from models.price.posterior import Posterior, compressed, nothing_known
from training.fit import fitted_values, solve
from training.fit.calibrate import calibrated
from training.fit.contrasts import Statements, contrasts_of
from training.fit.crossfit import CrossFit, cross_fit, folds_of, relearned
from training.fit.hiding import (
    factor_of,
    hidden_of,
    moments_of_losses,
    moments_of_unknown,
    within_costs,
)
from training.fit.learned import Learned, starting_from
from training.fit.leftout import LeftOut, inputs_of, left_out
from training.fit.problem import SALE, Problem, layout_of, matrix
from training.fit.solve import Estimate
from training.fit.spec import Term
from training.fit.trees import Grown, Growth, grow
from training.fit.trust import trusted

_CAPS = (1.6, 2.6, 1.0)  # tried in turn; the first must beat no cap at all before the others are tried
_EVIDENCE_MARGIN = 3.0  # nats that a cap must win by
_DIRECTIONS = 700
_TRUSTS = 2  # times that what is stated is held against the evidence
_LEARN_ON = 15_000  # rows: of more, an even part tells how far to trust what is stated, and first variances


@dataclass(frozen=True)
class Specification:
    """The terms and settings of a core for one kind of table.

    `inputs`: what the trees see; `growth`: how they are grown. `scatter`: columns of levels whose prices may
    scatter differently. `time`: the column of time, "" for none. `relearn`: learn the variances anew without
    each fold, for tables with so many variances that they would tell a fold too much about its own rows.
    """

    terms: tuple[Term, ...]
    inputs: tuple[Input, ...] = ()
    growth: Growth = field(default_factory=Growth)
    scatter: tuple[str, ...] = ()
    time: str = ""
    relearn: bool = False


@dataclass(frozen=True)
class Thinned:
    """Some of the sales again, with fields hidden on purpose. `source`: (m,) the rows that they were."""

    source: Ints
    table: Table
    rows: Sequence[Row]


@dataclass(frozen=True)
class Data:
    """n rows. `y`: log price. `gap`: "" for a sale, else the level of its gap; `kind`: what noise it has.

    `table` and `rows` are the same rows, as columns and as the evaluator takes them. `specimen`: rows of one
    specimen share it. `thinned`: some of the sales again with fields hidden on purpose. `statements`: common
    practice, which the fit takes as informative priors.
    """

    table: Table
    rows: Sequence[Row]
    y: Floats
    gap: Sequence[str]
    kind: Sequence[str]
    specimen: Sequence[str]
    thinned: Thinned | None = None
    statements: Statements | None = None

    @property
    def sale(self) -> np.ndarray:
        return np.array([g == SALE for g in self.gap])


@dataclass(frozen=True)
class Fitted:
    """A core with what the fit knew on the way. `pull`: (n,) how far robust weighting trusts a row."""

    core: Core
    problem: Problem
    estimate: Estimate
    crossed: CrossFit
    left: LeftOut
    grown: Grown
    pull: Floats


def fit_core(
    data: Data,
    spec: Specification,
    encoding: Encoding,
    seed: int = 0,
    learned: Learned | None = None,
    step_done: Callable[[], object] = lambda: None,
) -> Fitted:
    """Backbone, trees and spread of this data. Raises ValueError where there is no sale at all."""
    if not data.sale.any():
        raise ValueError("there is no closed sale to fit on; at least one is needed")
    problem = problem_of(data, spec)
    problem, estimate = _trusting(problem, _estimate(problem, learned, step_done), step_done)
    spread, shift = _of_unknown(problem, estimate, data, encoding)
    problem = replace(problem, spread=spread, y=data.y - shift)
    hidden = _hidden_rule(problem, estimate, data.table)
    told = hidden.predict(data.table) if hidden else np.zeros(len(data.y))
    problem = replace(problem, y=problem.y - told)
    estimate = _capped(problem, estimate, step_done)
    # Once more with what was learned held, so that coefficients and covariance belong to the same variances.
    estimate = solve.fit(problem, estimate, most=1, learn=False, step_done=step_done)
    hidden = _as_estimated(problem, estimate, hidden, data.table)
    crossing = relearned if spec.relearn else cross_fit
    crossed = crossing(problem, estimate, folds_of(data.specimen, seed))
    step_done()
    inputs = _inputs_there(spec, problem)
    left = left_out(data, problem.layout, crossed, estimate.cap, hidden, encoding)
    step_done()
    backbone = backbone_of(problem, estimate.theta, estimate.cap)
    seen = inputs_of(data.rows, backbone, encoding, inputs)
    grown = grow(seen, left, crossed.weight, data.sale, crossed.folds, inputs, spec.growth, seed, step_done)
    core = Core(backbone, grown.trees, _posterior(problem, estimate), None, hidden)
    calibration = calibrated(core, data, spec, problem, estimate, crossed, left, grown, encoding)
    core = replace(core, spread=calibration)
    residual = problem.y - fitted_values.predict(problem.layout, problem.x, estimate.theta, estimate.cap)
    scale2, tails = estimate.sigma2[problem.kind], estimate.tails[problem.kind]
    return Fitted(core, problem, estimate, crossed, left, grown, (tails + 1) / (tails + residual**2 / scale2))


def problem_of(data: Data, spec: Specification) -> Problem:
    """The regression problem of this data."""
    said = data.statements
    found = (said.fitted(term, data.table) if said else term.fitted(data.table) for term in spec.terms)
    layout = layout_of([block for block in found if block is not None], sorted(set(data.gap) - {SALE}))
    kinds = [SALE, *sorted(set(data.kind) - {SALE})]
    kind = np.array([kinds.index(k) for k in data.kind])
    contrasts = contrasts_of(said, layout) if said else None
    return Problem(layout, matrix(layout, data.table, data.gap), data.y, kind, np.ones(len(kind)), contrasts)


def _inputs_there(spec: Specification, problem: Problem) -> tuple[Input, ...]:
    """The inputs that something in the layout moves: without finishes there is no total of finishes."""
    parts = {block.part for block in problem.layout.blocks}
    return tuple(one for one in spec.inputs if one.columns or one.name in parts)


def _estimate(problem: Problem, learned: Learned | None, step_done: Callable[[], object]) -> Estimate:
    """A first estimate, without a cap unless one was learned before."""
    if learned is not None:
        return solve.fit(problem, starting_from(problem, learned), most=12, step_done=step_done)
    part = _part_of(problem)
    if part is not problem:
        first = _estimate(part, None, step_done)
        # What said nothing in the part gets another chance in the whole.
        again = replace(first, tau2=np.maximum(first.tau2, 1e-4), active=np.arange(len(first.theta)))
        return solve.fit(problem, again, most=6, step_done=step_done)
    return solve.fit(problem, solve.start(problem, math.inf), step_done=step_done)


def _trusting(problem: Problem, est: Estimate, step_done: Callable[[], object]) -> tuple[Problem, Estimate]:
    """The problem whose statements are trusted as far as the evidence bears them out, and its estimate."""
    if problem.contrasts is None:
        return problem, est
    part = _part_of(problem)
    whole = part is problem
    for _ in range(_TRUSTS):
        part = trusted(part, est)
        est = solve.fit(part, est, most=8, step_done=step_done)
    if whole:
        return part, est
    problem = replace(problem, contrasts=part.contrasts)
    return problem, solve.fit(problem, est, most=4, step_done=step_done)


def _part_of(problem: Problem) -> Problem:
    """The problem, or an even part of it where it is large and the part has every kind of row."""
    step = math.ceil(len(problem.y) / _LEARN_ON)
    part = problem.rows(np.arange(0, len(problem.y), step)) if step > 1 else problem
    return part if part.kind.max() == problem.kind.max() else problem


def _capped(problem: Problem, first: Estimate, step_done: Callable[[], object]) -> Estimate:
    """The estimate of the cap with the most evidence, from one of any cap."""
    best = solve.fit(problem, first, most=8, step_done=step_done)
    if not problem.layout.nonnegative.any() or math.isfinite(first.cap):
        return best
    for cap in _CAPS:
        other = solve.fit(problem, replace(best, cap=cap), most=8, step_done=step_done)
        if other.log_evidence < best.log_evidence + _EVIDENCE_MARGIN:
            if cap == _CAPS[0]:
                break
            continue
        best = other
    return best


def backbone_of(problem: Problem, theta: Floats, cap: float) -> Backbone:
    """The backbone with these coefficients."""
    layout = problem.layout
    return Backbone(layout.blocks, theta[: layout.intercept], float(theta[layout.intercept]), cap)


def _of_unknown(problem: Problem, est: Estimate, data: Data, encoding: Encoding) -> tuple[Floats, Floats]:
    """Two (n,) arrays of what the fields that a row does not know do to its price.

    How much more it scatters, as a factor on its noise variance: without it the robust noise would take a
    hidden refinish for an outlier and leave the mean of such rows. And the mean effect of what the level's
    blanks may turn out to be, against the typical value that they count as.
    """
    parts = fitted_values.parts_of(problem.layout, problem.x, est.theta)
    backbone = backbone_of(problem, est.theta, est.cap)
    variance, _ = moments_of_unknown(moments_of_losses(backbone, data.table, parts), data.table)
    core = Core(backbone.without_blanks(), None, nothing_known(len(backbone.theta)), None)
    found = Evaluator(core, encoding).parts_of(data.rows)
    factor = 1.0 + (variance + found.mixture) / est.sigma2[0]
    return np.asarray(factor), found.shift


def _hidden_rule(problem: Problem, est: Estimate, table: Table) -> Hidden | None:
    """The rule that predicts unknown losses from known ones; None where there is none.

    Its weights are scaled down to the part of it that the prices bear out.
    """
    parts = fitted_values.parts_of(problem.layout, problem.x, est.theta)
    rule = hidden_of(backbone_of(problem, est.theta, est.cap), table, parts)
    if rule is None:
        return None
    residual = problem.y - fitted_values.predict(problem.layout, problem.x, est.theta, est.cap)
    factor = factor_of(residual, rule.predict(table), solve.weights(problem, residual, est))
    return replace(rule, weights=rule.weights * factor)


def _as_estimated(problem: Problem, est: Estimate, rule: Hidden | None, table: Table) -> Hidden | None:
    """The rule within the costs of the last estimate: what it was bounded by was the first one's."""
    parts = fitted_values.parts_of(problem.layout, problem.x, est.theta)
    return rule and within_costs(rule, backbone_of(problem, est.theta, est.cap), table, parts)


def _posterior(problem: Problem, est: Estimate) -> Posterior:
    layout, p = problem.layout, problem.layout.intercept + 1  # blocks and intercept: their errors offset
    posterior_sd = np.zeros(len(est.theta))
    posterior_sd[est.active] = np.sqrt(np.diag(est.covariance))
    prior_sd = np.sqrt(np.where(layout.flat[layout.group], 1.0, est.tau2[layout.group]))
    # Columns that left the solve say nothing: they have neither effect nor variance.
    sd = np.where(posterior_sd > 0, np.maximum(prior_sd, posterior_sd * 1.0001), 0.0)
    inside = est.active < p
    covariance = est.covariance[np.ix_(inside, inside)]
    return compressed(covariance, est.active[inside], sd[:p], _DIRECTIONS)
