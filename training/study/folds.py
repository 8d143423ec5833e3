"""Judge a price model by cross-validation, where its sales are too few to keep out the latest ones.

The specimens that were sold are divided into folds. Each fold's sales are valued by a fit without any record
of their specimens: another sale, an asking price or an offer would give the price away. Asking prices and
offers for all other specimens stay in every fit.
"""

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
LEAST = 3  # Fewest sold specimens. With fewer, a fit without one of them shows nothing about the fit on all.


@dataclass(frozen=True)
class Fold:
    """One fold. `kept`: its sales, which are valued; `rest`: all records of other specimens, to fit on."""

    rest: tuple[Evidence, ...]
    kept: tuple[Evidence, ...]


def folds(rows: Sequence[Evidence], seed: int) -> list[Fold]:
    """Divide the sold specimens into `FOLDS` folds, or fewer with fewer specimens; no folds below `LEAST`.

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
    """Value every sale by a fit without its specimen. Return None with fewer than `LEAST` sold specimens.

    `jobs`: number of parallel processes, which does not change the result; `fit` must be importable where it
    is above 1.
    """
    dealt = folds(rows, seed)
    tasks = (delayed(_of_fold)(fold, catalogue, rates, fit, seed) for fold in dealt)
    done = Parallel(n_jobs=jobs, return_as="generator")(tasks)
    bar = tqdm(done, total=len(dealt), desc="judging", unit="fit", disable=None if progress else True)
    judged = list(bar)
    return reduce(add, judged) if judged else None


def _of_fold(fold: Fold, catalogue: Catalogue, rates: Rates, fit: Fitter, seed: int) -> Judged:
    return judge(fit(fold.rest, catalogue, rates, seed), fold.kept, rates)
