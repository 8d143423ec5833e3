"""Fit the core of a price model: the regression (backbone), the boosted trees and the spread of prices.

Instruments and open data sets are both fitted by `fit_core`.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from models.price.core.backbone import Backbone
from models.price.core.basis import Floats, Table
from models.price.core.core import Core, Input
from models.price.core.missing_losses import MissingLossModel
from models.price.core.posterior import Posterior, compressed, nothing_known
from models.price.evaluator.encoding import Encoding
from models.price.evaluator.evaluator import Evaluator
from training.fit.design.data import Data
from training.fit.design.problem import SALE, Problem, layout_of, matrix
from training.fit.design.specification import Specification
from training.fit.solve import fitted_values
from training.fit.solve.contrasts import contrasts_of
from training.fit.solve.crossfit import CrossFit, cross_fit, folds_of, relearned
from training.fit.solve.empirical_bayes import fit_backbone
from training.fit.solve.leftout import LeftOut, inputs_of, left_out
from training.fit.solve.missing_losses import (
    factor_of,
    missing_loss_model_of,
    moments_of_losses,
    moments_of_unknown,
    within_costs,
)
from training.fit.solve.solution import Solution, first_solution, robust_weight, weights
from training.fit.solve.trust import trusted
from training.fit.solve.variance_components import VarianceComponents, starting_from
from training.fit.spread.calibrate import calibrated
from training.fit.trees import Grown, grow

# Caps on what all losses together take off the log price, tried in turn. If the first does not raise the log
# evidence enough, the others are not tried.
_CAPS = (1.6, 2.6, 1.0)
_EVIDENCE_MARGIN = 3.0  # A cap is accepted if it raises the log evidence by this much, in nats.
_DIRECTIONS = 700  # Most directions of the posterior covariance that are kept.
_TRUSTS = 2  # Number of times that rules of common practice are compared with the evidence.
# With more rows than this, an evenly spaced part gives the first variances and the trust in each rule.
_LEARN_ON = 15_000


@dataclass(frozen=True)
class FittedCore:
    """A fitted core with intermediate results. `robust_weight`: (n,) row weights, small for an outlier."""

    core: Core
    problem: Problem
    estimate: Solution
    crossed: CrossFit
    left: LeftOut
    grown: Grown
    robust_weight: Floats


def fit_core(
    data: Data,
    spec: Specification,
    encoding: Encoding,
    seed: int = 0,
    learned: VarianceComponents | None = None,
    step_done: Callable[[], object] = lambda: None,
) -> FittedCore:
    """Fit regression, trees and spread on this data. Raises ValueError for data without a sale."""
    if not data.sale.any():
        raise ValueError("there is no closed sale to fit on; at least one is needed")
    problem = problem_of(data, spec)
    problem, estimate = _trusting(problem, _estimate(problem, learned, step_done), step_done)
    spread, shift = _of_unknown(problem, estimate, data, encoding)
    problem = replace(problem, spread=spread, y=data.y - shift)
    missing_losses = _missing_loss_model(problem, estimate, data.table)
    told = missing_losses.predict(data.table) if missing_losses else np.zeros(len(data.y))
    problem = replace(problem, y=problem.y - told)
    estimate = _capped(problem, estimate, step_done)
    # One more step holds the learned variances, so that coefficients and covariance belong to the same ones.
    estimate = fit_backbone(problem, estimate, most=1, learn=False, step_done=step_done)
    missing_losses = _as_estimated(problem, estimate, missing_losses, data.table)
    crossing = relearned if spec.relearn else cross_fit
    crossed = crossing(problem, estimate, folds_of(data.specimen, seed))
    step_done()
    inputs = _inputs_there(spec, problem)
    left = left_out(data, problem.layout, crossed, estimate.cap, missing_losses, encoding)
    step_done()
    backbone = backbone_of(problem, estimate.theta, estimate.cap)
    seen = inputs_of(data.rows, backbone, encoding, inputs)
    grown = grow(seen, left, crossed.weight, data.sale, crossed.folds, inputs, spec.growth, seed, step_done)
    core = Core(backbone, grown.trees, _posterior(problem, estimate), None, missing_losses)
    calibration = calibrated(core, data, spec, problem, estimate, crossed, left, grown, encoding)
    core = replace(core, spread=calibration)
    residual = problem.y - fitted_values.predict(problem.layout, problem.x, estimate.theta, estimate.cap)
    scale2, freedom = estimate.sigma2[problem.kind], estimate.degrees_of_freedom[problem.kind]
    trust = robust_weight(residual, scale2, freedom)
    return FittedCore(core, problem, estimate, crossed, left, grown, trust)


def problem_of(data: Data, spec: Specification) -> Problem:
    """Return the regression problem: design matrix, log prices, and rules of common practice, if any."""
    said = data.statements
    found = (said.fitted(term, data.table) if said else term.fitted(data.table) for term in spec.terms)
    layout = layout_of([block for block in found if block is not None], sorted(set(data.gap) - {SALE}))
    kinds = [SALE, *sorted(set(data.kind) - {SALE})]
    kind = np.array([kinds.index(k) for k in data.kind])
    contrasts = contrasts_of(said, layout) if said else None
    return Problem(layout, matrix(layout, data.table, data.gap), data.y, kind, np.ones(len(kind)), contrasts)


def _inputs_there(spec: Specification, problem: Problem) -> tuple[Input, ...]:
    """Return the trees' inputs that this data can fill: without any finish there is no total of finishes."""
    parts = {block.part for block in problem.layout.blocks}
    return tuple(one for one in spec.inputs if one.columns or one.name in parts)


def _estimate(
    problem: Problem, learned: VarianceComponents | None, step_done: Callable[[], object]
) -> Solution:
    """Make the first estimate, without a cap on losses unless `learned` has one."""
    if learned is not None:
        return fit_backbone(problem, starting_from(problem, learned), most=12, step_done=step_done)
    part = _part_of(problem)
    if part is not problem:
        first = _estimate(part, None, step_done)
        # Coefficients that were dropped on part of the rows get another chance on all rows.
        again = replace(first, tau2=np.maximum(first.tau2, 1e-4), active=np.arange(len(first.theta)))
        return fit_backbone(problem, again, most=6, step_done=step_done)
    return fit_backbone(problem, first_solution(problem, math.inf), step_done=step_done)


def _trusting(problem: Problem, est: Solution, step_done: Callable[[], object]) -> tuple[Problem, Solution]:
    """Weight each rule of common practice by how far the evidence agrees with it, and estimate again."""
    if problem.contrasts is None:
        return problem, est
    part = _part_of(problem)
    whole = part is problem
    for _ in range(_TRUSTS):
        part = trusted(part, est)
        est = fit_backbone(part, est, most=8, step_done=step_done)
    if whole:
        return part, est
    problem = replace(problem, contrasts=part.contrasts)
    return problem, fit_backbone(problem, est, most=4, step_done=step_done)


def _part_of(problem: Problem) -> Problem:
    """Return at most `_LEARN_ON` evenly spaced rows, if every noise kind is among them, else the whole.

    On a part without askings, no rule about askings would meet its evidence.
    """
    step = math.ceil(len(problem.y) / _LEARN_ON)
    part = problem.rows(np.arange(0, len(problem.y), step)) if step > 1 else problem
    return part if len(np.unique(part.kind)) == len(np.unique(problem.kind)) else problem


def _capped(problem: Problem, first: Solution, step_done: Callable[[], object]) -> Solution:
    """Choose the cap on losses by the log evidence, and return its estimate. A cap in `first` is kept."""
    best = fit_backbone(problem, first, most=8, step_done=step_done)
    if not problem.layout.nonnegative.any() or math.isfinite(first.cap):
        return best
    for cap in _CAPS:
        other = fit_backbone(problem, replace(best, cap=cap), most=8, step_done=step_done)
        if other.log_evidence < best.log_evidence + _EVIDENCE_MARGIN:
            if cap == _CAPS[0]:
                break
            continue
        best = other
    return best


def backbone_of(problem: Problem, theta: Floats, cap: float) -> Backbone:
    """Return the regression (backbone) that is served: without the gaps of asking prices and offers."""
    layout = problem.layout
    return Backbone(layout.blocks, theta[: layout.intercept], float(theta[layout.intercept]), cap)


def _of_unknown(problem: Problem, est: Solution, data: Data, encoding: Encoding) -> tuple[Floats, Floats]:
    """Return the effects of a row's unknown fields on its price, as two (n,) arrays.

    The first is a factor on the row's noise variance. Without it, robust weighting would take a hidden
    refinish for an outlier, and the fit would miss the mean of such rows. The second is the mean log effect
    of what other blanks (year, finish, …) may turn out to be, against the typical values that stand for them.
    """
    parts = fitted_values.parts_of(problem.layout, problem.x, est.theta)
    backbone = backbone_of(problem, est.theta, est.cap)
    variance, _ = moments_of_unknown(moments_of_losses(backbone, data.table, parts), data.table)
    core = Core(backbone.without_blanks(), None, nothing_known(len(backbone.theta)), None)
    found = Evaluator(core, encoding).parts_of(data.rows)
    factor = 1.0 + (variance + found.mixture) / est.sigma2[0]
    return np.asarray(factor), found.shift


def _missing_loss_model(problem: Problem, est: Solution, table: Table) -> MissingLossModel | None:
    """Learn the rule that predicts unknown losses from known ones, weakened if prices do not confirm it."""
    parts = fitted_values.parts_of(problem.layout, problem.x, est.theta)
    rule = missing_loss_model_of(backbone_of(problem, est.theta, est.cap), table, parts)
    if rule is None:
        return None
    residual = problem.y - fitted_values.predict(problem.layout, problem.x, est.theta, est.cap)
    factor = factor_of(residual, rule.predict(table), weights(problem, residual, est))
    return replace(rule, weights=rule.weights * factor)


def _as_estimated(
    problem: Problem, est: Solution, rule: MissingLossModel | None, table: Table
) -> MissingLossModel | None:
    """Bound the rule's weights by the losses of the last estimate; they were bounded by an earlier one."""
    parts = fitted_values.parts_of(problem.layout, problem.x, est.theta)
    return rule and within_costs(rule, backbone_of(problem, est.theta, est.cap), table, parts)


def _posterior(problem: Problem, est: Solution) -> Posterior:
    # Blocks and intercept stay together, as their errors offset each other.
    layout, p = problem.layout, problem.layout.intercept + 1
    posterior_sd = np.zeros(len(est.theta))
    posterior_sd[est.active] = np.sqrt(np.diag(est.covariance))
    prior_sd = np.sqrt(np.where(layout.flat[layout.group], 1.0, est.tau2[layout.group]))
    # Columns that were dropped from the solve have neither effect nor variance.
    sd = np.where(posterior_sd > 0, np.maximum(prior_sd, posterior_sd * 1.0001), 0.0)
    inside = est.active < p
    covariance = est.covariance[np.ix_(inside, inside)]
    return compressed(covariance, est.active[inside], sd[:p], _DIRECTIONS)
