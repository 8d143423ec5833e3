"""Measure how error and range narrow with the number of records, by the same fit on parts of the evidence.

The instruments are put in random order. An eighth, a quarter and a half of them are taken from its beginning,
and fits on these are judged by the sales of the other half; then the same is done from its end. So every sale
is judged at every size, by fits that have no record of its instrument.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import NamedTuple

import numpy as np
from joblib import Parallel, delayed
from tqdm import tqdm

from models.domain.catalogue import Catalogue
from models.domain.evidence import Evidence
from models.domain.evidence_snapshot import EvidenceSnapshot
from models.domain.money import Rates
from models.domain.vocabulary import KIND_NAMES
from models.price.core.basis import Floats
from models.study.judge import judge, only_sales
from training.study.backtest import Fitter

SHARES = (1 / 8, 1 / 4, 1 / 2)
LEAST = 10  # A size counts only if each of its fits has at least this many sales.
LEVEL = 0.8  # Level of the range whose width is measured.
_FEW = 300  # With fewer sales than this, chance matters more, and two random orders are used instead of one.


@dataclass(frozen=True)
class GrowthRecords:
    """The evidence that is divided into parts, with the catalogue, rates and seed of every fit."""

    rows: Sequence[Evidence]
    catalogue: Catalogue
    rates: Rates
    seed: int = 0


@dataclass(frozen=True)
class Trial:
    """One fit on a share of the instruments, with its errors on m sales.

    `counts`: kind of evidence → number of records fitted on. `error`: (m,) log of value over price. `width`:
    (m,) width of the 80% range, in log. `specimen`: (m,) number of the instrument, the same in all trials.
    """

    share: float
    counts: Mapping[str, int]
    error: Floats
    width: Floats
    specimen: np.ndarray


class _Task(NamedTuple):
    share: float
    rows: list[Evidence]
    sales: list[Evidence]


def rows_of(snapshot: EvidenceSnapshot) -> list[Evidence]:
    """Return the evidence that a bundle keeps, with each specimen's digest in place of its serial number."""
    rows = snapshot.evidence(range(len(snapshot)))
    named = (f"{digest:016x}" if digest else None for digest in snapshot.specimens.tolist())
    return [
        replace(row, instrument=row.instrument.but(serial=serial))
        for row, serial in zip(rows, named, strict=True)
    ]


def positions_of(rows: Sequence[Evidence], seed: int) -> dict[str, float]:
    """Return the position of each specimen, between 0 and 1, in a random order.

    Specimens with a sale, other specimens with an asking price, and specimens with offers alone are ordered
    separately, so that any share of the order holds the same share of each.
    """
    kinds: dict[str, set[str]] = {}
    for row in sorted(rows, key=lambda row: row.id):
        kinds.setdefault(row.specimen, set()).add(row.kind)
    rng = np.random.default_rng(seed)
    out: dict[str, float] = {}
    for kind in KIND_NAMES:
        own = [name for name, found in kinds.items() if kind in found and name not in out]
        positions = (rng.permutation(len(own)) + 0.5) / max(len(own), 1)
        out |= dict(zip(own, positions.tolist(), strict=True))
    return out


def tasks_of(rows: Sequence[Evidence], seed: int, holdout: Sequence[Evidence] = ()) -> list[_Task]:
    """Return the fits to make, each with the sales to judge it by, the largest share of instruments first.

    With a `holdout` every fit is judged by its sales, and there is one more fit, on all records.
    """
    sales = len(only_sales(rows))
    out = [_Task(1.0, list(rows), list(holdout))] if holdout and sales >= LEAST else []
    for order in range(2 if sales < _FEW else 1):
        forward = positions_of(rows, seed + order)
        for positions in (forward, {name: 1 - position for name, position in forward.items()}):
            for share in SHARES:
                own = [row for row in rows if positions[row.specimen] < share]
                others = [row for row in only_sales(rows) if positions[row.specimen] >= SHARES[-1]]
                out.append(_Task(share, own, list(holdout) or others))
    # A size counts only if each of its fits has enough sales, and some sales to be judged by.
    short = {task.share for task in out if len(only_sales(task.rows)) < LEAST or not task.sales}
    return sorted((task for task in out if task.share not in short), key=lambda task: -task.share)


def run(
    market: GrowthRecords,
    fit: Fitter,
    holdout: Sequence[Evidence] = (),
    *,
    jobs: int = 1,
    progress: bool = True,
) -> list[Trial]:
    """Make all fits, judge them, and return the trials, the smallest share of instruments first.

    `jobs`: number of parallel processes, which does not change the result; `fit` must be importable where it
    is above 1.
    """
    tasks = tasks_of(market.rows, market.seed, holdout)
    sold = sorted({sale.specimen for task in tasks for sale in task.sales})
    number = {specimen: at for at, specimen in enumerate(sold)}
    done = Parallel(n_jobs=jobs, return_as="generator")(
        delayed(_trial)(t, market, fit, number) for t in tasks
    )
    bar = tqdm(done, total=len(tasks), desc="sizes", unit="fit", disable=None if progress else True)
    return list(bar)[::-1]


def _trial(task: _Task, market: GrowthRecords, fit: Fitter, number: Mapping[str, int]) -> Trial:
    model = fit(task.rows, market.catalogue, market.rates, market.seed)
    judged = judge(model, task.sales, market.rates, (LEVEL,))
    return Trial(
        task.share,
        {kind: sum(row.kind == kind for row in task.rows) for kind in KIND_NAMES},
        judged.center - judged.paid,
        judged.high[:, 0] - judged.low[:, 0],
        np.array([number[sale.specimen] for sale in task.sales]),
    )


class Measures(NamedTuple):
    """Measures of error and range.

    `median_error`: absolute, in per cent of the price. `rmse_log`: root mean square of the log errors
    about the median error of their fit. `width`: mean width of the 80% range, in log.
    """

    median_error: float
    rmse_log: float
    width: float


@dataclass(frozen=True)
class Size:
    """All trials on the same share of the instruments."""

    share: float
    trials: tuple[Trial, ...]

    @property
    def sales(self) -> float:
        """The mean number of sales that a fit of this size was fitted on."""
        return float(np.mean([trial.counts["sale"] for trial in self.trials]))


def sizes_of(trials: Sequence[Trial]) -> list[Size]:
    """Group the trials by their share of the instruments, the smallest first."""
    ordered = sorted(trials, key=lambda trial: trial.share)
    return [Size(share, tuple(own)) for share, own in groupby(ordered, key=lambda trial: trial.share)]


def measured(trials: Sequence[Trial], times: np.ndarray | None = None) -> Measures:
    """Return the measures over all sales of these trials. `times`: how often each specimen counts."""
    errors, centred, widths = [], [], []
    for trial in trials:
        again = times[trial.specimen] if times is not None else np.ones(len(trial.error), np.int64)
        error = np.repeat(trial.error, again)
        if not len(error):
            continue
        errors.append(error)
        centred.append(error - np.median(error))
        widths.append(np.repeat(trial.width, again))
    percent = 100 * np.abs(np.expm1(np.concatenate(errors)))
    squares = np.concatenate(centred) ** 2
    return Measures(
        float(np.median(percent)), float(np.sqrt(squares.mean())), float(np.concatenate(widths).mean())
    )
