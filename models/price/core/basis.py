"""Bases: each turns one column of a table into design columns of the backbone, the regression on log price.

A fitted basis turns n rows into a sparse design `(index, value)`, both (n, m): row i has value[i, j] in
design column index[i, j]. All rows have m entries, so a row's sums do not depend on the rows beside it.
"""

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.price.core.checks import check_ascending, check_numbers

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Table = Mapping[str, NDArray[Any]]  # Column → float64 with NaN for unknown, or text with "" for unknown.
Rows = tuple[Ints, Floats]


@dataclass(frozen=True)
class Basis(ABC):
    """One fitted basis over one column of a table."""

    column: str

    @property
    def size(self) -> int:
        """The number of design columns; one, unless a kind of basis says otherwise."""
        return 1

    @abstractmethod
    def rows(self, table: Table) -> Rows:
        """Return the sparse design (see the module) of every row of the table."""

    def state(self) -> dict[str, Any]:
        """Return the basis as JSON, which `read_basis` reads."""
        own = {one.name: getattr(self, one.name) for one in fields(self)}
        plain = {name: x.tolist() if isinstance(x, np.ndarray) else x for name, x in own.items()}
        return {"kind": type(self).__name__.lower(), **plain}


@dataclass(frozen=True)
class Levels(Basis):
    """A design column for each level, one for "unknown", and one for levels that the fit has not seen.

    No data touch the last column, so an unseen level has an effect of 0 with all of its prior variance. If
    `unknown` is false, an unknown level has no effect.
    """

    levels: tuple[str, ...]
    unknown: bool = True

    @cached_property
    def _codes(self) -> dict[str, int]:
        return {level: i for i, level in enumerate(self.levels)}

    @property
    def size(self) -> int:
        return len(self.levels) + 2

    def rows(self, table: Table) -> Rows:
        unseen, unknown = len(self.levels) + 1, len(self.levels)
        given = table[self.column]
        index = np.fromiter(
            (self._codes.get(level, unseen) if level else unknown for level in given), np.int64, len(given)
        )
        value = np.ones(len(given))
        if not self.unknown:
            value[index == unknown] = 0.0
        return index[:, None], value[:, None]


@dataclass(frozen=True)
class Linear(Basis):
    """One design column with (x − center) / scale, or with the number `unknown` where x is not known."""

    center: float
    scale: float
    unknown: float = 0.0

    def rows(self, table: Table) -> Rows:
        x = (table[self.column] - self.center) / self.scale
        return np.zeros((len(x), 1), np.int64), np.nan_to_num(x, nan=self.unknown)[:, None]


@dataclass(frozen=True)
class Unknown(Basis):
    """One design column with 1 where x is not known, else 0."""

    def rows(self, table: Table) -> Rows:
        x = table[self.column]
        missing = np.isnan(x) if x.dtype.kind == "f" else x == ""
        return np.zeros((len(x), 1), np.int64), missing.astype(np.float64)[:, None]


@dataclass(frozen=True)
class Ramps(Basis):
    """Design columns that each rise from 0 to 1: column k between knot k and knot k + 1, flat elsewhere.

    For grades with knots 0, 1, … they are the steps of an ordinal scale; for time, increments of an index.
    `unknown`: the values of the columns where x is not known; all 0 if empty.
    """

    knots: tuple[float, ...]
    unknown: tuple[float, ...] = ()

    @property
    def size(self) -> int:
        return len(self.knots) - 1

    def rows(self, table: Table) -> Rows:
        knots = np.array(self.knots)
        x = table[self.column][:, None]
        value = np.clip((x - knots[:-1]) / np.diff(knots), 0.0, 1.0)
        unknown = np.array(self.unknown or (0.0,))
        return np.broadcast_to(np.arange(self.size), value.shape), np.where(np.isnan(x), unknown, value)


@dataclass(frozen=True)
class Smooth(Basis):
    """A curve, linear between knots: hat functions on the knots times `loadings` (knots, size).

    A ridge penalty on the design columns gives the curve the prior that `smooth_over` or `shapes_over` puts
    into the loadings. The curve is flat beyond the outer knots, and 0 where x is not known.
    """

    knots: tuple[float, ...]
    loadings: Floats = field(compare=False)

    @property
    def size(self) -> int:
        return int(self.loadings.shape[1])

    def rows(self, table: Table) -> Rows:
        x = table[self.column]
        knots = np.array(self.knots)
        known = ~np.isnan(x)
        inside = np.clip(np.where(known, x, knots[0]), knots[0], knots[-1])
        left = np.clip(np.searchsorted(knots, inside, side="right") - 1, 0, len(knots) - 2)
        share = (inside - knots[left]) / (knots[left + 1] - knots[left])
        value = (1 - share)[:, None] * self.loadings[left] + share[:, None] * self.loadings[left + 1]
        value = np.where(known[:, None], value, 0.0)
        return np.broadcast_to(np.arange(self.size), value.shape), value


def smooth_over(column: str, knots: Sequence[float], size: int | None = None) -> Smooth:
    """Return a basis for a curve's departure from a straight line, made of the `size` smoothest shapes.

    `knots`: at least 4, ascending. The loadings are eigenvectors of a second-difference penalty divided by
    the root of their eigenvalues (Wahba's splines as a mixed model; Ruppert, Wand & Carroll 2003).
    """
    k = len(knots)
    spacing = np.diff(np.array(knots, dtype=np.float64))
    second = np.zeros((k - 2, k))
    for i in range(k - 2):
        a, b = spacing[i], spacing[i + 1]
        second[i, i : i + 3] = np.array([1 / a, -1 / a - 1 / b, 1 / b]) * np.sqrt(2 / (a + b))
    scale = float(knots[-1] - knots[0])
    values, vectors = np.linalg.eigh(second.T @ second * scale**3 / k)
    keep = slice(2, None if size is None else 2 + size)
    loadings = _signed(vectors[:, keep] / np.sqrt(values[keep]))
    return Smooth(column, tuple(float(x) for x in knots), loadings / np.sqrt((loadings**2).mean()))


def shapes_over(column: str, knots: Sequence[float], covariance: Floats, size: int) -> Smooth:
    """Return a basis for a curve whose values at k knots have this (k, k) covariance: `size` main shapes."""
    values, vectors = np.linalg.eigh(covariance)
    keep = slice(max(len(knots) - size, 0), None)
    loadings = _signed(vectors[:, keep] * np.sqrt(np.maximum(values[keep], 0.0)))
    return Smooth(column, tuple(float(x) for x in knots), loadings)


def _signed(loadings: Floats) -> Floats:
    """Fix the arbitrary signs of eigenvectors, so that a fit is the same on every machine."""
    signs = np.sign(loadings[np.abs(loadings).argmax(axis=0), np.arange(loadings.shape[1])])
    return np.asarray(loadings * signs)


def read_basis(state: Mapping[str, Any]) -> Basis:
    """Read a basis that `Basis.state` returned.

    Raises KeyError for a kind that does not exist, and BundleDamagedError for knots that do not ascend or
    loadings of another shape.
    """
    kinds: Sequence[type[Basis]] = (Levels, Linear, Unknown, Ramps, Smooth)
    own: dict[str, Any] = {n: tuple(x) if isinstance(x, list) else x for n, x in state.items()}
    if "loadings" in own:
        own["loadings"] = np.array(own["loadings"], dtype=np.float64)
        check_numbers("loadings", own["loadings"], len(own["knots"]), None)
    if "knots" in own:
        check_ascending("knots", own["knots"], least=2)
    return {kind.__name__.lower(): kind for kind in kinds}[own.pop("kind")](**own)


def product(bases: Sequence[Basis], table: Table) -> Rows:
    """Return the row-wise product of several bases: (n, Π m) index into Π size columns, and (n, Π m) values.

    In the column numbers the first basis varies slowest.
    """
    index, value = bases[0].rows(table)
    for basis in bases[1:]:
        i, v = basis.rows(table)
        shape = len(index), index.shape[1] * i.shape[1]
        index = (index[:, :, None] * basis.size + i[:, None, :]).reshape(shape)
        value = (value[:, :, None] * v[:, None, :]).reshape(shape)
    return index, value
