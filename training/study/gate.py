"""The gate: a new bundle goes live only if it is no worse than the current one and its coverage holds.

Both are judged on the same sales, and neither may have seen them. The candidate speaks through its holdout
model (`training.study.holdout`). The current bundle speaks itself about sales after its last evidence, and by
the answers of its own holdout model, which it carries, about those that were kept out when it was made.

A candidate with too few sales to keep out is judged by cross-validation (`training.study.folds`), and asked
one thing only: whether its ranges clearly do not hold. It is not compared with a provisional current bundle:
on so few sales the comparison would refuse one sound fit in six.
"""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from scipy.special import bdtr

from models.domain.money import Rates
from models.price.core.basis import Floats
from models.price.interface import PriceModel
from models.study.intervals import covered, interval_score
from models.study.judge import SCORE_LEVEL, Judged, judge

LEAST_COMMON = 20  # sales; with fewer, no comparison is made
WORSE_BY = 0.01  # of the current figure, and by more than one standard error of the paired difference
COVERAGE_SLACK = 0.03  # below the level, on top of this many standard errors:
COVERAGE_ERRORS = 3  # at two, one sound price model in 30 would be refused on 30 sales (20,000 draws)
CHANCE = 0.00135  # that a sound range is refused on left-out sales: the tail beyond three standard errors
ANSWERS_FILE = "judged.npz"


@dataclass(frozen=True)
class Check:
    """One question the gate asked: `passed`, and in words what it saw."""

    name: str
    passed: bool
    detail: str


@dataclass(frozen=True)
class Verdict:
    """The findings of the gate. `common`: number of sales on which it can compare two bundles."""

    checks: tuple[Check, ...]
    common: int

    @property
    def passed(self) -> bool:
        return all(check.passed for check in self.checks)

    def to_json(self) -> dict[str, Any]:
        return {
            "passed": self.passed,
            "common_sales": self.common,
            "checks": [asdict(c) for c in self.checks],
        }


@dataclass(frozen=True)
class Answers:
    """A holdout model's answers on n sales: keys, and (n,) log centre, low and high at `SCORE_LEVEL`."""

    ids: tuple[str, ...]
    center: Floats
    low: Floats
    high: Floats

    @classmethod
    def of(cls, judged: Judged) -> Answers:
        k = judged.levels.index(SCORE_LEVEL)
        ids = tuple(_key(sale) for sale in judged.sales)
        return cls(ids, judged.center, judged.low[:, k], judged.high[:, k])

    def to_bytes(self) -> bytes:
        """As npz."""
        out = io.BytesIO()
        np.savez_compressed(
            out, ids=np.array(self.ids, dtype=np.str_), center=self.center, low=self.low, high=self.high
        )
        return out.getvalue()

    @classmethod
    def from_bytes(cls, data: bytes) -> Answers:
        """Read what `to_bytes` wrote."""
        with np.load(io.BytesIO(data), allow_pickle=False) as npz:
            return cls(tuple(map(str, npz["ids"])), npz["center"], npz["low"], npz["high"])


def _key(sale: Any) -> str:
    # An id alone may be used again in another file.
    return f"{sale.id}|{sale.day.isoformat()}|{sale.price}|{sale.currency}"


def answers_of_current(
    model: PriceModel, kept_answers: Answers | None, candidate: Judged, rates: Rates
) -> tuple[np.ndarray, Answers]:
    """(n,) bool, which sales the current bundle may be judged on, and what it said of those."""
    fresh = [model.last_evidence is None or sale.day > model.last_evidence for sale in candidate.sales]
    known = {name: i for i, name in enumerate(kept_answers.ids)} if kept_answers else {}
    usable = np.array(
        [f or _key(s) in known for f, s in zip(fresh, candidate.sales, strict=True)], dtype=bool
    )
    sales = [sale for sale, use in zip(candidate.sales, usable, strict=True) if use]
    if not sales:
        return usable, Answers((), *(np.zeros(0) for _ in range(3)))
    said = Answers.of(judge(model, sales, rates, (SCORE_LEVEL,)))
    if kept_answers:
        for row, (name, sale) in enumerate(zip(said.ids, sales, strict=True)):
            if model.last_evidence is None or sale.day > model.last_evidence:
                continue
            at = known[name]
            said.center[row], said.low[row] = kept_answers.center[at], kept_answers.low[at]
            said.high[row] = kept_answers.high[at]
    return usable, said


def gate(candidate: Judged, usable: np.ndarray | None = None, current: Answers | None = None) -> Verdict:
    """Judge the candidate; with `current`, also against it on the `usable` sales."""
    checks = list(coverage_checks(candidate))
    common = 0 if usable is None else int(usable.sum())
    if current is not None and usable is not None and common >= LEAST_COMMON:
        checks += _comparison(candidate, usable, current)
    return Verdict(tuple(checks), common)


def coverage_checks(candidate: Judged) -> list[Check]:
    """Check that each level's range holds its share of the prices.

    It may fall short by `COVERAGE_SLACK`, and by `COVERAGE_ERRORS` standard errors of a share of n sales.
    """
    checks, n = [], len(candidate.paid)
    for k, level in enumerate(candidate.levels):
        share = float(covered(candidate.paid, candidate.low[:, k], candidate.high[:, k]).mean())
        least = level - COVERAGE_SLACK - COVERAGE_ERRORS * math.sqrt(level * (1 - level) / n)
        detail = f"{share:.1%} of {n} sales inside; at least {least:.1%} wanted"
        checks.append(Check(f"coverage at {level:.0%}", share >= least, detail))
    return checks


def gate_of_few(candidate: Judged) -> Verdict:
    """Judge a candidate by cross-validation: refused only if its ranges clearly do not hold."""
    checks, n = [], len(candidate.paid)
    for k, level in enumerate(candidate.levels):
        inside = int(covered(candidate.paid, candidate.low[:, k], candidate.high[:, k]).sum())
        least = least_inside(n, level)
        detail = f"{inside} of {n} left-out sales inside; at least {least} wanted"
        checks.append(Check(f"coverage at {level:.0%}", inside >= least, detail))
    return Verdict(tuple(checks), 0)


def least_inside(n: int, level: float) -> int:
    """The least number of n prices that a range must hold; a sound one holds fewer with chance < `CHANCE`.

    A range is sound that falls short of its level by `COVERAGE_SLACK` at most. The binomial chance is exact;
    three standard errors are not on a handful of sales: on three, they would refuse one sound 90% range in
    36.
    """
    share = max(level - COVERAGE_SLACK, 0.0)
    return next(inside for inside in range(n + 1) if bdtr(inside, n, share) >= CHANCE)


def _comparison(candidate: Judged, usable: np.ndarray, current: Answers) -> list[Check]:
    paid, k = candidate.paid[usable], candidate.levels.index(SCORE_LEVEL)
    ours = candidate.center[usable], candidate.low[usable, k], candidate.high[usable, k]
    losses: Mapping[str, Sequence[Floats]] = {
        "absolute log error": (np.abs(ours[0] - paid), np.abs(current.center - paid)),
        f"{SCORE_LEVEL:.0%} interval score": (
            interval_score(paid, ours[1], ours[2], SCORE_LEVEL),
            interval_score(paid, current.low, current.high, SCORE_LEVEL),
        ),
    }
    return [_no_worse(name, new, old) for name, (new, old) in losses.items()]


def _no_worse(name: str, new: Floats, old: Floats) -> Check:
    difference = new - old
    mean, error = float(difference.mean()), float(difference.std(ddof=1) / math.sqrt(len(new)))
    worse = mean > WORSE_BY * old.mean() and mean > error
    detail = (
        f"{new.mean():.4f} against {old.mean():.4f} of the current bundle on {len(new)} sales (±{error:.4f})"
    )
    return Check(name, not worse, detail)
