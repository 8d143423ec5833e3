"""Common practice as the fit takes it: each rule on instruments of a model that has no name."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, NamedTuple

import numpy as np
import scipy.linalg as sl
import scipy.sparse as sp
from scipy.stats import t as student_t

from models.catalogue import Catalogue, Edition, Finish, Model
from models.instrument import Instrument, Subject, Value
from models.practice import Practice, Rule
from models.price.basis import Floats, Table
from models.price.features import columns, model_key
from models.price.reference import Typical, reference_of
from models.vocabulary import DEFAULT_CHANNEL
from training.fit.contrasts import Statements
from training.fit.core import Fitted
from training.fit.problem import Bools, Problem
from training.fit.solve import (
    Estimate,
    jacobian,
    layout_dropped,
    predict,
    prior_precision,
    squares_of,
    stated,
    weights,
    with_stated,
)

# A rule is about no maker, model, edition or finish of its own.
_NAMES = frozenset({"maker", "model", "edition", "finish", "maker_finish", "model_finish"})
_BAND = 1.2815515655446004  # the 90% quantile of a normal distribution: spans are of 80%
_NOTHING = 0.02  # evidence that adds less than this share to what is known before any says nothing
_CHANCE = 0.05  # that any of all sound rules is said to be contradicted (Bonferroni)
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


def learnt_of(problem: Problem, est: Estimate, overlap: Bools) -> Learnt:
    """What the evidence says of each statement, at the variances that were learned.

    `overlap`: (m, m) which statements are about a field of each. Those are taken back, and so is the shrinkage
    of what the statement is about; all else stays as it was fitted. Signs are not enforced: evidence against a
    rule must show. Precisions are what is known: that of the evidence is what it adds to the shrinkage.
    """
    said = problem.contrasts
    assert said is not None
    slope, precision, mean, covariance, before = _around(problem, est)
    one, two = (predict(problem.layout, side, est.theta, est.cap) for side in (said.first, said.second))
    # Losses saturate: around the estimate a difference is a sum of slopes but for this.
    bend = slope @ est.theta - (one - two)
    evidence, sd, share = np.full(len(mean), np.nan), np.full(len(mean), np.inf), np.ones(len(mean))
    for at in np.flatnonzero((before > 0) & (said.sales > 0)):
        own = np.flatnonzero(overlap[at] & (precision > 0))
        gain = covariance[at, own] @ np.linalg.inv(
            np.diag(1 / precision[own]) - covariance[np.ix_(own, own)]
        )
        variance = covariance[at, at] + gain @ covariance[own, at]
        without = mean[at] + gain @ (mean[own] - said.y[own] - bend[own])
        added = 1 / variance - 1 / before[at]
        if added * before[at] > _NOTHING:
            evidence[at], sd[at] = without / variance / added - bend[at], 1 / math.sqrt(added)
        total = 1 / covariance[at, at] - 1 / before[at]
        share[at] = min(max(1 - max(added, 0.0) / max(total, 1e-12), 0.0), 1.0)
    return Learnt(evidence, sd, one - two, np.sqrt(np.diag(covariance)), share)


def _around(problem: Problem, est: Estimate) -> tuple[sp.csr_matrix, Floats, Floats, Floats, Floats]:
    """The m statements around an estimate, without signs.

    (m, p) slopes, (m,) precisions and means of their linear part, (m, m) covariance, (m,) variance before any
    data.
    """
    layout = problem.layout
    kept = np.flatnonzero(~layout_dropped(est)[layout.group] | layout.flat[layout.group])
    slope, _, precision = stated(problem, est)
    rows = slope[:, kept].toarray()
    residual = problem.y - predict(layout, problem.x, est.theta, est.cap)
    w = weights(problem, residual, est)
    jac = jacobian(layout, problem.x, est.theta, est.cap)[:, kept].tocsr()
    prior = prior_precision(layout, est.tau2)[kept]
    squares = squares_of(jac, w)
    squares[np.diag_indices(len(kept))] += prior
    moment = jac.T @ (w * (residual + jac @ est.theta[kept]))
    squares, moment = with_stated(problem, est, squares, moment, kept)
    factor = sl.cho_factor(squares, lower=True)
    half = sl.solve_triangular(factor[0], rows.T, lower=True)
    return slope, precision, rows @ sl.cho_solve(factor, moment), half.T @ half, (rows**2 / prior).sum(axis=1)


def practice_report(practice: Practice, fitted: Fitted) -> list[dict[str, Any]]:
    """Each rule beside what was learnt of it, as JSON: factors with 80% spans; see `Learnt`."""
    contrasts = fitted.problem.contrasts
    if contrasts is None:
        return []
    sales = int((fitted.problem.kind == 0).sum())
    most = float(student_t.ppf(1 - _CHANCE / 2 / len(practice.rules), max(sales - 2, 1)))
    fields = [{*rule.of, *rule.against} or {rule.kind} for rule in practice.rules]
    overlap = np.array([[not one.isdisjoint(other) for other in fields] for one in fields])
    found = learnt_of(fitted.problem, fitted.estimate, overlap)
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
                "contradicted": bool(off > most),
            }
        )
    return out


def _span(mean: float, sd: float) -> dict[str, float]:
    ends = {"factor": mean, "low": mean - _BAND * sd, "high": mean + _BAND * sd}
    return {name: round(math.exp(end), 4) for name, end in ends.items()}
