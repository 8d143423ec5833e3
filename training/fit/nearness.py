"""How near two records are, column by column, and the covariance that falls with their distance.

A number is a coordinate twice where its values recur: by how far it lies from another, and by whether it is
the very same one, since some sizes are models of their own. A level has only the second.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.price.basis import Floats, Table

_RECURRING = 5  # a number whose distinct values are at most a fifth of the rows recurs


@dataclass(frozen=True)
class Coordinate:
    """A column as numbers. `codes`: of its levels, none for a number. `same`: only equality counts.

    A number that is not known stands at the mean.
    """

    column: str
    same: bool
    mean: float = 0.0
    sd: float = 1.0
    codes: tuple[str, ...] | None = None

    def values(self, table: Table) -> Floats:
        """(n,) where the rows stand; −1 for a level that was not seen in the fit."""
        if self.codes is not None:
            place = {level: float(at) for at, level in enumerate(self.codes)}
            return np.array([place.get(level, -1.0) for level in table[self.column]])
        raw = np.asarray(table[self.column], np.float64)
        return (np.where(np.isnan(raw), self.mean, raw) - self.mean) / self.sd

    def distances(self, a: Floats, b: Floats) -> Floats:
        """(n, m) squared distances of (n,) from (m,) values; 1 between those that only must be equal."""
        apart = a[:, None] - b[None, :]
        return (apart != 0).astype(np.float64) if self.same else apart * apart


def coordinates_of(table: Table, columns: Sequence[str]) -> tuple[Coordinate, ...]:
    """The coordinates of these columns; those that do not vary have none."""
    return tuple(c for column in columns for c in _of_column(table, column))


def _of_column(table: Table, column: str) -> list[Coordinate]:
    values = table[column]
    if values.dtype.kind != "f":
        levels = tuple(sorted(set(map(str, values))))
        return [Coordinate(column, True, codes=levels)] if len(levels) > 1 else []
    known = values[~np.isnan(values)]
    distinct = len(np.unique(known))
    if distinct < 2:
        return []
    far = Coordinate(column, False, float(known.mean()), float(known.std()))
    recurs = 2 < distinct <= len(values) / _RECURRING
    return [far, Coordinate(column, True, far.mean, far.sd)] if recurs else [far]


@dataclass(frozen=True)
class Kernel:
    """Rational quadratic covariance of p coordinates: a²·(1 + Σ wⱼ·dⱼ/(2α))^(−α).

    Rasmussen & Williams (2006), Gaussian Processes for Machine Learning, eq. 4.19. `log_lengths`: (p,), with
    wⱼ = exp(−2·log_lengths[j]); `variance` is a², in log price squared.
    """

    coordinates: tuple[Coordinate, ...]
    log_lengths: Floats
    variance: float
    alpha: float

    def places(self, table: Table) -> Floats:
        """(n, p) where the rows stand."""
        return np.stack([c.values(table) for c in self.coordinates], axis=1)

    def between(self, a: Floats, b: Floats) -> Floats:
        """(n, m) covariances of (n, p) and (m, p) places."""
        total = np.zeros((len(a), len(b)))
        for at, coordinate in enumerate(self.coordinates):
            total += coordinate.distances(a[:, at], b[:, at]) * np.exp(-2 * self.log_lengths[at])
        return np.asarray(self.variance * (1 + total / (2 * self.alpha)) ** -self.alpha)
