"""Common practice as the fit takes it: each rule on instruments of a model that has no name."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, NamedTuple

import numpy as np
import scipy.linalg as sl

from models.catalogue import Catalogue, Edition, Finish, Model
from models.instrument import Instrument, Subject, Value
from models.practice import Practice, Rule
from models.price.basis import Floats, Table
from models.price.features import columns, model_key
from models.price.reference import Typical, reference_of
from models.vocabulary import DEFAULT_CHANNEL
from training.fit.contrasts import Statements
from training.fit.core import Fitted
from training.fit.problem import Problem
from training.fit.solve import Estimate, jacobian, predict, prior_precision, squares_of, stated, weights

# A rule is about no maker, model, edition or finish of its own.
_NAMES = frozenset({"maker", "model", "edition", "finish", "maker_finish", "model_finish"})
_BAND = 1.2815515655446004  # the 90% quantile of a normal distribution: spans are of 80%
_NOTHING = 0.02  # evidence that adds less than this share to what is known before any says nothing
_BEYOND_CHANCE = 2.5758293035489004  # standard errors: one sound rule in a hundred lies further off
_MAKER, _NAME, _EDITION, _FINISH, _OTHER = "maker", "model", "edition", "finish", "other finish"
_YEAR = 2000
_USUAL_SHARE, _USUAL_FIGURE, _USUAL_WEIGHT = 0.5, 2.0, 3.8


def statements_of(practice: Practice) -> Statements | None:
    """The rules on a nameless model, None where there is no rule."""
    rules = practice.rules
    if not rules:
        return None
    middle = np.array([math.log(rule.low * rule.high) / 2 for rule in rules])
    width = np.array([math.log(rule.high / rule.low) / 2 / _BAND for rule in rules])
    return Statements(
        _table([_subject(rule.of) for rule in rules]),
        _table([_subject(rule.against) for rule in rules]),
        [_gap(rule) for rule in rules],
        middle,
        width,
        np.array([rule.as_if_sales for rule in rules]),
        _NAMES,
    )


def _gap(rule: Rule) -> str:
    return "" if rule.kind == "sale" else f"{rule.kind} {rule.channel or ''}"


class _Case(NamedTuple):
    subject: Subject
    model: Model


def _subject(given: Mapping[str, Value]) -> _Case:
    """A typical instrument of a model without a name, but for these fields."""
    said = dict(given)
    share, total = said.pop("finish_share", None), said.pop("edition_total", None)
    channel = str(said.pop("channel", DEFAULT_CHANNEL))
    finishes = (Finish(_FINISH, float(_USUAL_SHARE if share is None else share)),)  # type: ignore[arg-type]
    editions = (Edition(_EDITION, production_total=int(total), numbered=True),) if total else ()
    model = Model(_MAKER, _NAME, _YEAR - 1, _YEAR + 1, None, True, finishes, editions)
    start = Subject(Instrument(_MAKER, _NAME), date(_YEAR, 1, 1), channel)
    if total:
        said = {"edition": _EDITION, "edition_number": max(round(int(total) / 2), 1), **said}
    return _Case(reference_of(start, _TYPICAL).but(**said), model)


_TYPICAL = Typical(_YEAR, _FINISH, _USUAL_FIGURE, _USUAL_WEIGHT)


def _table(cases: Sequence[_Case]) -> Table:
    """Their feature columns; a case has a catalogue of its own, which says how rare its finish is."""
    tables = []
    for subject, model in cases:
        tables.append(columns([subject], Catalogue((model,)), {model_key(subject): _TYPICAL}))
    return {name: np.concatenate([table[name] for table in tables]) for name in tables[0]}


# ── from practice to evidence ────────────────────────────────────────────────


class Learnt(NamedTuple):
    """What became of m statements, (m,) each, in log: means and standard deviations.

    `evidence`, `evidence_sd`: by the evidence alone, NaN and infinite where it says nothing. `posterior`,
    `posterior_sd`: by both. `share`: of what is known, the share that practice makes up, from 0 to 1.
    """

    evidence: Floats
    evidence_sd: Floats
    posterior: Floats
    posterior_sd: Floats
    share: Floats


def learnt_of(problem: Problem, est: Estimate) -> Learnt:
    """What the evidence says of each statement, at the variances that were learned.

    Signs are not enforced here: evidence against a rule must show. A precision is what one knows; that of the
    evidence is what it adds to the prior's, as that of practice is what it adds to both.
    """
    active, said = est.active, problem.contrasts
    assert said is not None
    slope, _, precision = stated(problem, est)
    slope = slope[:, active]
    layout = problem.layout
    residual = problem.y - predict(layout, problem.x, est.theta, est.cap)
    w = weights(problem, residual, est)
    jac = jacobian(layout, problem.x, est.theta, est.cap)[:, active].tocsr()
    prior = prior_precision(layout, est.tau2)[active]
    alone = squares_of(jac, w) + np.diag(prior)
    moment = jac.T @ (w * (residual + jac @ est.theta[active]))
    rows = slope.toarray()
    both = alone + squares_of(slope, precision)
    factor = sl.cho_factor(alone, lower=True)
    before = (rows**2 / prior).sum(axis=1)
    variance = (sl.solve_triangular(factor[0], rows.T, lower=True) ** 2).sum(axis=0)
    added = np.maximum(1 / variance - 1 / before, 0.0)
    says = added * before > _NOTHING
    with np.errstate(divide="ignore", invalid="ignore"):
        evidence = np.where(says, rows @ sl.cho_solve(factor, moment) / variance / added, np.nan)
        evidence_sd = np.where(says, 1 / np.sqrt(added), np.inf)
    all_known = (sl.solve_triangular(sl.cholesky(both, lower=True), rows.T, lower=True) ** 2).sum(axis=0)
    total = np.maximum(1 / all_known - 1 / before, 1e-12)
    one, two = (predict(layout, side, est.theta, est.cap) for side in (said.first, said.second))
    share = np.clip(1 - added / total, 0.0, 1.0)
    return Learnt(evidence, evidence_sd, one - two, np.sqrt(all_known), share)


def practice_report(practice: Practice, fitted: Fitted) -> list[dict[str, Any]]:
    """Each rule beside what was learnt of it, as JSON: factors with 80% spans; see `Learnt`."""
    contrasts = fitted.problem.contrasts
    if contrasts is None:
        return []
    found = learnt_of(fitted.problem, fitted.estimate)
    out = []
    for at, rule in enumerate(practice.rules):
        if not contrasts.sales[at]:
            continue
        evidence, sd = float(found.evidence[at]), float(found.evidence_sd[at])
        known = math.isfinite(sd)
        off = abs(evidence - contrasts.y[at]) / math.hypot(sd, contrasts.width[at]) if known else 0.0
        out.append(
            {
                "name": rule.name,
                "says": rule.says,
                "low": rule.low,
                "high": rule.high,
                "as_if_sales": rule.as_if_sales,
                "fields": sorted({**rule.of, **rule.against}),
                "prior": _span(float(contrasts.y[at]), math.log(rule.high / rule.low) / 2 / _BAND),
                "evidence": _span(evidence, sd) if known else None,
                "posterior": _span(float(found.posterior[at]), float(found.posterior_sd[at])),
                "share": round(float(found.share[at]), 4),
                "contradicted": bool(off > _BEYOND_CHANCE),
            }
        )
    return out


def _span(mean: float, sd: float) -> dict[str, float]:
    ends = {"factor": mean, "low": mean - _BAND * sd, "high": mean + _BAND * sd}
    return {name: round(math.exp(end), 4) for name, end in ends.items()}
