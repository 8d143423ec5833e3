"""Where the market may move a portfolio within some months, by the moves of its own index in the past.

The index is the value of the typical instruments of the portfolio's models over time, weighted by the models'
shares. A move over a horizon has the mean m and the variance s² of the index's moves over such horizons; s²
has the mean variance of these moves by the fit as well, since a fitted index is smoother than the market.
With n horizons that do not overlap, the next move is m + s √(1 + 1/n) t, t of Student with n − 1 degrees of
freedom: a short history makes a wide range.
"""

from collections.abc import Sequence
from datetime import date
from typing import NamedTuple

import numpy as np

from models.domain.instrument import Subject
from models.price.core.basis import Floats
from models.price.interface import PriceModel

LEAST_WINDOWS = 2.0  # Fewer horizons in the history than this tell nothing of how the market moves.
FEW_WINDOWS = 8.0  # From fewer horizons than this a move is known badly.
MOST_MODELS = 12  # The largest models of a portfolio, which stand for its market.
_DAYS_A_MONTH = 365.25 / 12
_SEED = 20_261_129


class History(NamedTuple):
    """The moves of an index over horizons of so many months, in log.

    `first`, `last`: the days between which it is known. `windows`: how many horizons have room there side by
    side. `drift`, `sd`: mean and standard deviation of a move; 0 without enough history. `share`: the part of
    the portfolio's value whose models stand for it.
    """

    months: int
    first: date | None
    last: date | None
    windows: float
    drift: float
    sd: float
    share: float

    @property
    def enough(self) -> bool:
        """Say whether anything follows from the history."""
        return self.windows >= LEAST_WINDOWS

    @property
    def scale(self) -> float:
        """The scale of the next move around the drift."""
        return float(self.sd * np.sqrt(1 + 1 / self.windows))

    def moves(self, draws: int) -> Floats:
        """Return (draws,) next moves, in log, always the same."""
        drawn = np.random.default_rng(_SEED).standard_t(self.windows - 1, draws)
        return np.asarray(self.drift + self.scale * drawn)


def history_of(
    model: PriceModel, subjects: Sequence[Subject], shares: Sequence[float], months: int
) -> History:
    """Return the market's history for subjects that stand for their models, with the models' shares."""
    order = sorted(range(len(subjects)), key=lambda at: -shares[at])[:MOST_MODELS]
    covered = sum(shares[at] for at in order)
    first, last = model.first_evidence, model.last_evidence
    days = _days(first, last)
    windows = (len(days) - 1) / months
    if windows < LEAST_WINDOWS:
        return History(months, first, last, max(windows, 0.0), 0.0, 0.0, covered)
    index, loadings = np.zeros(len(days)), np.zeros((len(days), 1))
    for at in order:
        reference, share = model.reference(subjects[at]), shares[at] / covered
        then = [reference._replace(day=day) for day in days]
        index = index + share * model.center(then)
        loadings = loadings + share * model.loadings(then)
    drift, sd = moves_of(index, loadings, months)
    return History(months, first, last, windows, drift, sd, covered)


def moves_of(index: Floats, loadings: Floats, months: int) -> tuple[float, float]:
    """Return mean and standard deviation of an index's moves over so many months.

    `index`: (n,) by month, in log. `loadings`: (n, k) of its errors (`PriceModel.loadings`).
    """
    moves = index[months:] - index[:-months]
    unsure = ((loadings[months:] - loadings[:-months]) ** 2).sum(axis=1)
    return float(moves.mean()), float(np.sqrt(moves.var() + unsure.mean()))


def _days(first: date | None, last: date | None) -> list[date]:
    """Return days a month apart, back from the last evidence to the first."""
    if first is None or last is None:
        return []
    count = int((last - first).days / _DAYS_A_MONTH)
    end = last.toordinal()
    return [date.fromordinal(end - round(at * _DAYS_A_MONTH)) for at in range(count, -1, -1)]
