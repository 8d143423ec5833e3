"""Cross-validation of whole specimens: how a candidate is judged whose sales are too few to keep out by time.

The specimens that were sold are dealt into folds. Each fold's sales are judged by a fit that has seen no
record of their specimens: neither another sale nor an asking or an offer, which would tell the answer.
Askings and offers of all other specimens stay in every fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from operator import add

import numpy as np
from joblib import Parallel, delayed
from tqdm import tqdm

from models.domain.catalogue import Catalogue
from models.domain.evidence import Evidence
from models.domain.money import Rates
from models.study.judge import Judged, judge, only_sales
from training.study.backtest import Fitter

FOLDS = 5
LEAST = 3  # specimens that were sold; of fewer, no fit without one of them says anything of the whole


@dataclass(frozen=True)
class Fold:
    """`rest`: all records of other specimens, which are fitted on; `kept`: the sales that are judged."""

    rest: tuple[Evidence, ...]
    kept: tuple[Evidence, ...]


def folds(rows: Sequence[Evidence], seed: int) -> list[Fold]:
    """Make as many folds as specimens were sold, at most `FOLDS`; none of fewer than `LEAST`.

    The order of the rows does not matter, nor how specimens are named.
    """
    ordered = sorted(rows, key=lambda row: (row.day, row.id))
    sold = list(dict.fromkeys(sale.specimen for sale in only_sales(ordered)))
    if len(sold) < LEAST:
        return []
    count = min(FOLDS, len(sold))
    dealt = np.random.default_rng(seed).permutation(len(sold)) % count
    fold_of = dict(zip(sold, dealt.tolist(), strict=True))
    position = [fold_of.get(row.specimen) for row in ordered]
    return [
        Fold(
            tuple(row for row, at in zip(ordered, position, strict=True) if at != fold),
            only_sales([row for row, at in zip(ordered, position, strict=True) if at == fold]),
        )
        for fold in range(count)
    ]


def cross_validated(
    rows: Sequence[Evidence],
    catalogue: Catalogue,
    rates: Rates,
    fit: Fitter,
    *,
    seed: int = 0,
    jobs: int = 1,
    progress: bool = True,
) -> Judged | None:
    """Every sale beside what a fit without its specimen says of it; None of too few. Same for any `jobs`.

    `fit` must be importable where `jobs` > 1.
    """
    dealt = folds(rows, seed)
    tasks = (delayed(_of_fold)(fold, catalogue, rates, fit, seed) for fold in dealt)
    done = Parallel(n_jobs=jobs, return_as="generator")(tasks)
    bar = tqdm(done, total=len(dealt), desc="judging", unit="fit", disable=None if progress else True)
    judged = list(bar)
    return reduce(add, judged) if judged else None


def _of_fold(fold: Fold, catalogue: Catalogue, rates: Rates, fit: Fitter, seed: int) -> Judged:
    return judge(fit(fold.rest, catalogue, rates, seed), fold.kept, rates)
