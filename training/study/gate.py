"""The gate: the check of a new bundle (a stored price model, the candidate) before it becomes current.

The candidate's ranges must hold as many prices as they promise, and it must be no worse than the current
bundle on the same sales. Neither bundle may have seen these sales. So a holdout model, fitted without them,
answers for the candidate (`training.study.holdout`). The current bundle answers itself for sales after its
last evidence. For sales that were kept out when it was judged, the stored answers of its own holdout model
count.

A candidate with too few sales to keep out is judged by cross-validation (`training.study.folds`), and fails
only if its ranges clearly hold too few prices. It is not compared with a provisional current bundle: on so
few sales the comparison would refuse one sound fit in six.
"""

import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from scipy.special import bdtr

from models.domain.evidence import Evidence
from models.domain.money import Rates
from models.price.core.basis import Floats
from models.price.interface import PriceModel
from models.study.intervals import covered, interval_score
from models.study.judge import SCORE_LEVEL, Judged, judge

LEAST_COMMON = 20  # Two bundles are compared only if both can be judged on at least this many sales.
# A candidate counts as worse if its mean error or interval score exceeds the current bundle's by this share,
# and by one standard error of the difference.
WORSE_BY = 0.01
# The share of prices in a range may fall short of its level by the slack plus this many standard errors. With
# two standard errors, one sound price model in 30 would be refused on 30 sales (in 20,000 simulations).
COVERAGE_SLACK = 0.03
COVERAGE_ERRORS = 3
# Chance that a sound range is refused on left-out sales: the normal tail beyond three standard errors.
CHANCE = 0.00135
ANSWERS_FILE = "judged.npz"


@dataclass(frozen=True)
class Check:
    """The result of one check before promotion. `detail`: the figures behind the result, in words."""

    name: str
    passed: bool
    detail: str


@dataclass(frozen=True)
class Verdict:
    """The results of all checks before promotion. `common`: number of sales to judge both bundles on."""

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
    """A model's answers on n sales, in log US dollars: (n,) median, and ends of its range at `SCORE_LEVEL`.

    `ids`: a key for each sale, from its id, day and price.
    """

    ids: tuple[str, ...]
    center: Floats
    low: Floats
    high: Floats

    @classmethod
    def of(cls, judged: Judged) -> "Answers":
        k = judged.levels.index(SCORE_LEVEL)
        ids = tuple(_key(sale) for sale in judged.sales)
        return cls(ids, judged.center, judged.low[:, k], judged.high[:, k])

    def to_bytes(self) -> bytes:
        """Return the answers as a file in numpy's npz format."""
        out = io.BytesIO()
        np.savez_compressed(
            out, ids=np.array(self.ids, dtype=np.str_), center=self.center, low=self.low, high=self.high
        )
        return out.getvalue()

    @classmethod
    def from_bytes(cls, data: bytes) -> "Answers":
        """Read what `to_bytes` wrote."""
        with np.load(io.BytesIO(data), allow_pickle=False) as npz:
            return cls(tuple(map(str, npz["ids"])), npz["center"], npz["low"], npz["high"])


def _key(sale: Evidence) -> str:
    # An id alone does not identify a sale, as another file may use it again.
    return f"{sale.id}|{sale.day.isoformat()}|{sale.price}|{sale.currency}"


def answers_of_current(
    model: PriceModel, kept_answers: Answers | None, candidate: Judged, rates: Rates
) -> tuple[np.ndarray, Answers]:
    """Return (n,) True for sales that the current bundle can be judged on, and its answers on these.

    `kept_answers`: the stored answers of its holdout model (fitted without the latest sales), used for sales
    up to its last evidence.
    """

    def fresh(sale: Evidence) -> bool:
        return model.last_evidence is None or sale.day > model.last_evidence

    known = {name: i for i, name in enumerate(kept_answers.ids)} if kept_answers else {}
    usable = np.array([fresh(sale) or _key(sale) in known for sale in candidate.sales], dtype=bool)
    sales = [sale for sale, use in zip(candidate.sales, usable, strict=True) if use]
    if not sales:
        return usable, Answers((), *(np.zeros(0) for _ in range(3)))
    said = Answers.of(judge(model, sales, rates, (SCORE_LEVEL,)))
    for row, (name, sale) in enumerate(zip(said.ids, sales, strict=True)):
        if kept_answers and not fresh(sale):
            at = known[name]
            said.center[row], said.low[row] = kept_answers.center[at], kept_answers.low[at]
            said.high[row] = kept_answers.high[at]
    return usable, said


def gate(candidate: Judged, usable: np.ndarray | None = None, current: Answers | None = None) -> Verdict:
    """Check the candidate's ranges, and compare its errors with those of `current` on the `usable` sales."""
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
    """Check the ranges of a cross-validated candidate. It fails only if they clearly hold too few prices."""
    checks, n = [], len(candidate.paid)
    for k, level in enumerate(candidate.levels):
        inside = int(covered(candidate.paid, candidate.low[:, k], candidate.high[:, k]).sum())
        least = least_inside(n, level)
        detail = f"{inside} of {n} left-out sales inside; at least {least} wanted"
        checks.append(Check(f"coverage at {level:.0%}", inside >= least, detail))
    return Verdict(tuple(checks), 0)


def least_inside(n: int, level: float) -> int:
    """Return how many of n prices a range must hold. A sound range holds fewer with a chance below `CHANCE`.

    A range is sound if it falls short of its level by at most `COVERAGE_SLACK`. The binomial chance is exact.
    Three standard errors are not on a few sales: on three sales they would refuse one sound 90% range in 36.
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
