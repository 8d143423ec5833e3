"""Turn rules of common practice into priors of a fit, and report what the fit learned about each rule.

The two instruments that a rule compares are of an invented model, as a rule is about no particular model.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import date
from typing import Any

import numpy as np
from scipy.stats import t as student_t

from models.domain.catalogue import Catalogue, Edition, Finish, Model
from models.domain.instrument import Instrument, Subject, Value
from models.domain.vocabulary import DEFAULT_CHANNEL
from models.practice import Practice, Rule
from models.practice.reliance import Reliance, RuleShare, reliance_of
from models.price.core.basis import Table
from models.price.instruments.features import columns, model_key
from models.price.instruments.reference import Typical, reference_of
from training.fit.core import FittedCore
from training.fit.design.statements import Statements
from training.fit.solve.empirical_bayes import learned_spreads
from training.fit.solve.trust import Learnt, learnt_of

# No rule is about a particular maker, model, edition or finish, so these columns are left out of all rules.
_NAMES = frozenset({"maker", "model", "edition", "finish", "maker_finish", "model_finish"})
_BAND = 1.2815515655446004  # The 90% quantile of a normal distribution, as a rule's span is its middle 80%.
_CHANCE = 0.05  # Chance that any rule at all is called contradicted if all are sound (Bonferroni).
_MAKER, _NAME, _EDITION, _FINISH = "maker", "model", "edition", "finish"
_YEAR = 2000
_USUAL_SHARE, _USUAL_FIGURE, _USUAL_WEIGHT = 0.5, 2.0, 3.8


def statements_of(practice: Practice) -> Statements | None:
    """Return the rules and spreads in the form that a fit takes; None for a practice without any."""
    rules = practice.rules
    if not rules and not practice.spreads:
        return None
    middle, width = np.array([_middle(rule) for rule in rules]).reshape(-1, 2).T
    fields = [{*rule.of, *rule.against} or {rule.kind} for rule in rules]
    return Statements(
        _table([_subject(rule.of) for rule in rules]),
        _table([_subject(rule.against) for rule in rules]),
        ["" if rule.kind == "sale" else f"{rule.kind} {rule.channel or ''}" for rule in rules],
        middle,
        width,
        np.array([rule.as_if_sales for rule in rules]),
        np.array([[not one.isdisjoint(other) for other in fields] for one in fields], bool),
        _NAMES,
        {spread.of: math.log(spread.factor) ** 2 for spread in practice.spreads},
    )


def _subject(given: Mapping[str, Value]) -> tuple[Subject, Model]:
    """Return the typical instrument of an invented model, with these fields changed, and the model."""
    said = dict(given)
    share, total = said.pop("finish_share", None), said.pop("edition_total", None)
    channel = str(said.pop("channel", DEFAULT_CHANNEL))
    finishes = (Finish(_FINISH, float(_USUAL_SHARE if share is None else share)),)
    editions = (Edition(_EDITION, production_total=int(total), numbered=True),) if total else ()
    model = Model(_MAKER, _NAME, _YEAR - 1, _YEAR + 1, None, True, finishes, editions)
    start = Subject(Instrument(_MAKER, _NAME), date(_YEAR, 1, 1), channel)
    if total:
        said = {"edition": _EDITION, "edition_number": max(round(int(total) / 2), 1), **said}
    return reference_of(start, _TYPICAL).but(**said), model


_TYPICAL = Typical(_YEAR, _FINISH, _USUAL_FIGURE, _USUAL_WEIGHT)


def _table(cases: Sequence[tuple[Subject, Model]]) -> Table:
    """Return the instruments' feature columns. Each has its own catalogue, which sets its finish's rarity."""
    tables = [
        columns([subject], Catalogue((model,)), {model_key(subject): _TYPICAL}) for subject, model in cases
    ] or [columns([], Catalogue(()), {})]
    return {name: np.concatenate([table[name] for table in tables]) for name in tables[0]}


def practice_report(practice: Practice, fitted: FittedCore) -> list[dict[str, Any]]:
    """Report each rule beside what the fit learnt about it (`Learnt`), as JSON: price factors, 80% spans."""
    said = fitted.problem.contrasts
    if said is None or not practice.rules:
        return []
    found = learnt_of(fitted.problem, fitted.estimate)
    sales = int((fitted.problem.kind == 0).sum())
    most = float(student_t.ppf(1 - _CHANCE / 2 / len(practice.rules), max(sales - 2, 1)))
    against = found.off(said.y, said.width) > most
    about = np.flatnonzero(said.sales)
    return [_told(practice.rules[at], found, int(at), bool(against[at])) for at in about]


def spread_report(practice: Practice, fitted: FittedCore) -> list[dict[str, Any]]:
    """Report each stated spread beside the evidence's and the fit's, as JSON: price factors or None."""
    groups, found = fitted.problem.layout.groups, learned_spreads(fitted.problem, fitted.estimate)
    told = []
    for spread in practice.spreads:
        evidence, learned = found[groups.index(spread.of)] if spread.of in groups else (None, None)
        told.append(
            {
                **asdict(spread),
                "evidence": evidence and round(math.exp(evidence), 4),
                "posterior": learned and round(math.exp(learned), 4),
            }
        )
    return told


def reliance_on(report: Sequence[Mapping[str, Any]]) -> Reliance:
    """Return how much of each field's effect rests on common practice, by the result of `practice_report`."""
    return reliance_of(RuleShare(told["of"], told["against"], told["share"]) for told in report)


def _told(rule: Rule, found: Learnt, at: int, contradicted: bool) -> dict[str, Any]:
    known = math.isfinite(found.evidence_sd[at])
    return {
        **{key: getattr(rule, key) for key in ("name", "says", "low", "high", "as_if_sales")},
        "of": dict(rule.of),
        "against": dict(rule.against),
        "prior": _span(*_middle(rule)),
        "evidence": _span(found.evidence[at], found.evidence_sd[at]) if known else None,
        "posterior": _span(found.posterior[at], found.posterior_sd[at]),
        "share": round(float(found.share[at]), 4),
        "contradicted": contradicted,
    }


def _middle(rule: Rule) -> tuple[float, float]:
    """Return mean and standard deviation of the normal, in log, whose middle 80% is the rule's span."""
    return math.log(rule.low * rule.high) / 2, math.log(rule.high / rule.low) / 2 / _BAND


def _span(mean: float, sd: float) -> dict[str, float]:
    ends = {"factor": mean, "low": mean - _BAND * sd, "high": mean + _BAND * sd}
    return {name: round(math.exp(end), 4) for name, end in ends.items()}
