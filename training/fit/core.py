"""Fit a core on any table: the one path that instruments and open data sets both take."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.price.backbone import LEVEL, Backbone, Block, saturate
from models.price.basis import Floats, Ints, Levels, Ramps, Table
from models.price.core import Core, Input
from models.price.hidden import Hidden
from models.price.posterior import Posterior, compressed
from models.price.spread import Spread, hidden_variance
from models.price.trees import Forest
from training.fit import solve
from training.fit.crossfit import CrossFit, cross_fit, folds_of
from training.fit.hiding import factor_of, hidden_of
from training.fit.learned import Learned, starting_from
from training.fit.problem import SALE, Problem, layout_of, matrix
from training.fit.residual import Boosted, boost
from training.fit.scatter import fit_spread
from training.fit.solve import Estimate
from training.fit.spec import Term

_CAPS = (1.6, 2.6, 1.0)  # tried in turn; the first must beat no cap at all before the others are tried
_EVIDENCE_MARGIN = 3.0  # nats that a cap must win by
_DIRECTIONS = 700
_LEARN_ON = 15_000  # rows: beyond that, variances and cap are learned on an even part of them first


@dataclass(frozen=True)
class Specification:
    """What a core is made of on one kind of table.

    `forest`: what trees see; `signs`: input name → −1 where more may only lower. `scatter`: level columns
    whose levels may scatter differently. `time`: the column of time, "" for none. `kriged`: the columns that
    `training.fit.kriging` measures nearness by. `plain`: the few terms of a backbone to stack beside it.
    """

    terms: tuple[Term, ...]
    forest: tuple[Input, ...]
    signs: Mapping[str, int]
    scatter: tuple[str, ...] = ()
    time: str = ""
    kriged: tuple[str, ...] = ()
    plain: tuple[Term, ...] = ()


@dataclass(frozen=True)
class Data:
    """n rows. `y`: log price. `gap`: "" for a sale, else the level of its gap; `kind`: what noise it has.

    `specimen`: rows of one specimen share it.
    """

    table: Table
    y: Floats
    gap: Sequence[str]
    kind: Sequence[str]
    specimen: Sequence[str]

    @property
    def sale(self) -> np.ndarray:
        return np.array([g == SALE for g in self.gap])


@dataclass(frozen=True)
class Fitted:
    """A core with what the fit knew on the way; `pull`: (n,) how far robust weighting trusts a row."""

    core: Core
    problem: Problem
    estimate: Estimate
    crossed: CrossFit
    boosted: Boosted
    folds: Ints
    pull: Floats


def fit_core(
    data: Data,
    spec: Specification,
    seed: int = 0,
    learned: Learned | None = None,
    step_done: Callable[[], object] = lambda: None,
) -> Fitted:
    """Backbone, residual and spread of this data. Raises ValueError where there are fewer than 20 sales."""
    if int(data.sale.sum()) < 20:
        raise ValueError(f"{int(data.sale.sum())} closed sales are too few to fit on; at least 20 are needed")
    problem = problem_of(data, spec)
    spec = replace(spec, forest=tuple(i for i in spec.forest if _is_there(i, problem)))
    estimate = _estimate(problem, learned, step_done)
    problem = replace(problem, spread=_spread_of_unknown(problem, estimate, data.table))
    hidden = _hidden_rule(problem, estimate, data.table)
    moved = hidden.predict(data.table) if hidden else np.zeros(len(data.y))
    problem = replace(problem, y=data.y - moved)
    estimate = solve.fit(problem, estimate, most=8, step_done=step_done)
    # Once more with what was learned held, so that coefficients and covariance belong to the same variances.
    estimate = solve.fit(problem, estimate, most=1, learn=False, step_done=step_done)
    folds = folds_of(data.specimen, seed)
    crossed = cross_fit(problem, estimate, folds)
    step_done()
    backbone = backbone_of(problem, estimate)
    boosted = _boosted(data, spec, problem, backbone, crossed, folds, seed, step_done)
    forest = Forest.from_text(boosted.texts) if boosted.texts else None
    posterior = _posterior(problem, estimate)
    spread = _spread(data, spec, problem, estimate, crossed, boosted, backbone, moved)
    core = Core(backbone, spec.forest if forest else (), forest, boosted.texts, posterior, spread, hidden)
    residual = problem.y - solve.predict(problem.layout, problem.x, estimate.theta, estimate.cap)
    scale2, tails = estimate.sigma2[problem.kind], estimate.tails[problem.kind]
    return Fitted(
        core, problem, estimate, crossed, boosted, folds, (tails + 1) / (tails + residual**2 / scale2)
    )


def problem_of(data: Data, spec: Specification) -> Problem:
    """The regression problem of this data."""
    blocks = [b for b in (term.fitted(data.table) for term in spec.terms) if b is not None]
    layout = layout_of(blocks, sorted(set(data.gap) - {SALE}))
    kinds = [SALE, *sorted(set(data.kind) - {SALE})]
    kind = np.array([kinds.index(k) for k in data.kind])
    return Problem(layout, matrix(layout, data.table, data.gap), data.y, kind, np.ones(len(kind)))


def _is_there(asked: Input, problem: Problem) -> bool:
    """Whether any of an input's blocks is in the layout: without finishes there is no effect of finishes."""
    return not asked.blocks or any(b.name in asked.blocks for b in problem.layout.blocks)


def _estimate(problem: Problem, learned: Learned | None, step_done: Callable[[], object]) -> Estimate:
    """The estimate of the cap with the most evidence."""
    if learned is not None:
        return solve.fit(problem, starting_from(problem, learned), most=12, step_done=step_done)
    step = math.ceil(len(problem.y) / _LEARN_ON)
    part = problem.rows(np.arange(0, len(problem.y), step))
    if step > 1 and part.kind.max() == problem.kind.max():
        first = _estimate(part, None, step_done)
        # What said nothing in the part gets another chance in the whole.
        again = replace(first, tau2=np.maximum(first.tau2, 1e-4), active=np.arange(len(first.theta)))
        return solve.fit(problem, again, most=6, step_done=step_done)
    best = solve.fit(problem, solve.start(problem, math.inf), step_done=step_done)
    if not problem.layout.nonnegative.any():
        return best
    for cap in _CAPS:
        other = solve.fit(problem, replace(best, cap=cap), most=8, step_done=step_done)
        if other.log_evidence < best.log_evidence + _EVIDENCE_MARGIN:
            if cap == _CAPS[0]:
                break
            continue
        best = other
    return best


def _spread_of_unknown(problem: Problem, est: Estimate, table: Table) -> Floats:
    """(n,) how much more a row scatters for the fields it does not know, as a factor on its noise variance.

    Without it the robust noise would take a hidden refinish for an outlier and leave the mean of such rows.
    """
    hidden = _hidden(backbone_of(problem, est), table)
    return np.asarray(1.0 + hidden_variance(hidden, table, len(problem.y)) / est.sigma2[0])


def _hidden_rule(problem: Problem, est: Estimate, table: Table) -> Hidden | None:
    """What known losses say about unknown ones, as far as the prices bear it out."""
    rule = hidden_of(backbone_of(problem, est), table)
    if rule is None:
        return None
    residual = problem.y - solve.predict(problem.layout, problem.x, est.theta, est.cap)
    factor = factor_of(residual, rule.predict(table), solve.weights(problem, residual, est))
    return replace(rule, weights=rule.weights * factor)


def backbone_of(problem: Problem, est: Estimate) -> Backbone:
    """The backbone with these coefficients."""
    layout = problem.layout
    return Backbone(layout.blocks, est.theta[: layout.intercept], float(est.theta[layout.intercept]), est.cap)


def _left_out(problem: Problem, crossed: CrossFit, boosted: Boosted) -> Floats:
    return np.asarray(problem.y - crossed.value - boosted.left_out)


def _boosted(
    data: Data,
    spec: Specification,
    problem: Problem,
    backbone: Backbone,
    crossed: CrossFit,
    folds: Ints,
    seed: int,
    step_done: Callable[[], object],
) -> Boosted:
    if not spec.forest:
        return Boosted((), np.zeros(len(problem.y)), 0.0)
    x = np.stack([i.values(backbone, data.table) for i in spec.forest], axis=1)
    weight = crossed.weight / crossed.weight.mean()
    return boost(
        x,
        problem.y - crossed.value,
        weight,
        np.where(data.sale, weight, 0.0),
        folds,
        [spec.signs.get(i.name, 0) for i in spec.forest],
        seed,
        step_done=step_done,
    )


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


def _spread(
    data: Data,
    spec: Specification,
    problem: Problem,
    est: Estimate,
    crossed: CrossFit,
    boosted: Boosted,
    backbone: Backbone,
    moved: Floats,
) -> Spread:
    sale = data.sale
    table = {name: values[sale] for name, values in data.table.items()}
    spread = fit_spread(
        table,
        (crossed.value + boosted.left_out + moved)[sale],
        _left_out(problem, crossed, boosted)[sale],
        crossed.posterior[sale],
        columns=spec.scatter,
        hidden=_hidden(backbone, data.table),
        time=spec.time,
        drift=_drift(problem, est, spec.time),
    )
    # Every fold shared the learned variances: left-out rows did not pay for them, so the shape does.
    rows = int(sale.sum())
    learned = int((~solve.layout_dropped(est) & ~problem.layout.flat).sum())
    return replace(spread, shape=spread.shape * math.sqrt(rows / max(rows - learned, rows / 2)))


def _hidden(backbone: Backbone, table: Table) -> dict[str, float]:
    """Column → variance of its effect over the rows that know it, for columns that are sometimes unknown."""
    out = {}
    scales = {family: float(backbone.scale(family, table).mean()) for family in backbone.families}
    for column in dict.fromkeys(b.columns[0] for b in backbone.blocks if _can_be_unknown(b)):
        values = table[column]
        known = ~np.isnan(values) if values.dtype.kind == "f" else values != ""
        if known.all():
            continue
        own = [
            at
            for at, b in enumerate(backbone.blocks)
            if b.columns == (column,) and not b.role.startswith("scale") and not b.name.endswith(" unknown")
        ]
        effect = backbone.sums(own, {column: values[known]})
        family = next((b.role[5:] for b in map(backbone.blocks.__getitem__, own) if b.role != LEVEL), None)
        if family is not None:
            effect = saturate(effect * scales[family], backbone.cap)
        out[column] = float(np.var(effect)) if known.sum() > 5 else 0.0
    return out


def _can_be_unknown(block: Block) -> bool:
    """Whether what is missing from this block's column is not known, rather than not there."""
    return block.name.endswith(" unknown") or (
        block.role == LEVEL and len(block.bases) == 1 and isinstance(block.bases[0], Levels)
    )


def _drift(problem: Problem, est: Estimate, time: str) -> float:
    """Prior variance a year of the walks over time: what the market may move after the last evidence."""
    total = 0.0
    for block in problem.layout.blocks:
        basis = block.bases[-1]
        # One ramp alone is a trend, not a walk.
        if isinstance(basis, Ramps) and basis.size > 1 and basis.column == time and block.role == LEVEL:
            spacing = basis.knots[1] - basis.knots[0]
            tau2 = float(est.tau2[problem.layout.groups.index(block.group)])
            total += 0.0 if tau2 < 2.5e-5 else tau2 / spacing
    return total
