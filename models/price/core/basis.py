"""Bases: how one column of a table becomes design columns of the backbone.

A fitted basis turns n rows into `(index, value)`, both (n, m): row i has value[i, j] in design column
index[i, j] of the basis. The padded form keeps a row's arithmetic independent of the rows beside it.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Table = Mapping[str, NDArray[Any]]  # numbers: float64 with NaN for unknown; levels: object, "" for unknown
Rows = tuple[Ints, Floats]


@dataclass(frozen=True)
class Basis(ABC):
    """One fitted basis over one column of a table."""

    column: str

    @property
    @abstractmethod
    def size(self) -> int:
        """The number of design columns."""

    @abstractmethod
    def rows(self, table: Table) -> Rows:
        """The design of every row of the table."""

    def state(self) -> dict[str, Any]:
        """The basis as JSON, as `read_basis` reads it."""
        own = {one.name: getattr(self, one.name) for one in fields(self)}
        plain = {name: x.tolist() if isinstance(x, np.ndarray) else x for name, x in own.items()}
        return {"kind": type(self).__name__.lower(), **plain}


@dataclass(frozen=True)
class Levels(Basis):
    """One column per level, one for "unknown" where `unknown` is true, and one that no data ever touches.

    The last column keeps its prior: a level never seen has no effect of its own and all of its variance.
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
    """(x − center) / scale; `unknown` where x is unknown."""

    center: float
    scale: float
    unknown: float = 0.0

    @property
    def size(self) -> int:
        return 1

    def rows(self, table: Table) -> Rows:
        x = (table[self.column] - self.center) / self.scale
        return np.zeros((len(x), 1), np.int64), np.nan_to_num(x, nan=self.unknown)[:, None]


@dataclass(frozen=True)
class Unknown(Basis):
    """1 where x is unknown."""

    @property
    def size(self) -> int:
        return 1

    def rows(self, table: Table) -> Rows:
        x = table[self.column]
        missing = np.isnan(x) if x.dtype.kind == "f" else x == ""
        return np.zeros((len(x), 1), np.int64), missing.astype(np.float64)[:, None]


@dataclass(frozen=True)
class Ramps(Basis):
    """Column k rises from 0 to 1 between knot k and knot k + 1 and is held flat outside.

    On grades with knots 0, 1, … these are the steps of an ordinal scale; on time, the increments of an index.
    `unknown`: the columns where x is unknown; all 0 if empty.
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
    """A curve: hat functions on knots, times `loadings` (knots, size): a ridge on the columns is its prior.

    `smooth_over` and `shapes_over` say which. Held flat beyond the outer knots; 0 where unknown.
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
    """A curve's departure from a straight line, on these knots (at least 4, ascending): its smoothest shapes.

    The loadings are the eigenvectors of a second-difference penalty over the root of their eigenvalues
    (Wahba's splines as a mixed model; Ruppert, Wand & Carroll 2003).
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
    """A curve of this covariance between its values at the knots (k, k): its `size` largest shapes."""
    values, vectors = np.linalg.eigh(covariance)
    keep = slice(max(len(knots) - size, 0), None)
    loadings = _signed(vectors[:, keep] * np.sqrt(np.maximum(values[keep], 0.0)))
    return Smooth(column, tuple(float(x) for x in knots), loadings)


def _signed(loadings: Floats) -> Floats:
    """Signs of eigenvectors are arbitrary: fixed, so that a fit is the same on every machine."""
    signs = np.sign(loadings[np.abs(loadings).argmax(axis=0), np.arange(loadings.shape[1])])
    return np.asarray(loadings * signs)


def read_basis(state: Mapping[str, Any]) -> Basis:
    """The basis that `state()` described. Raises KeyError for a kind that does not exist."""
    kinds: Sequence[type[Basis]] = (Levels, Linear, Unknown, Ramps, Smooth)
    own: dict[str, Any] = {n: tuple(x) if isinstance(x, list) else x for n, x in state.items()}
    if "loadings" in own:
        own["loadings"] = np.array(own["loadings"], dtype=np.float64)
    return {kind.__name__.lower(): kind for kind in kinds}[own.pop("kind")](**own)


def product(bases: Sequence[Basis], table: Table) -> Rows:
    """The row-wise product of several bases: (n, Π m) with index over Π size, the first basis slowest."""
    index, value = bases[0].rows(table)
    for basis in bases[1:]:
        i, v = basis.rows(table)
        shape = len(index), index.shape[1] * i.shape[1]
        index = (index[:, :, None] * basis.size + i[:, None, :]).reshape(shape)
        value = (value[:, :, None] * v[:, None, :]).reshape(shape)
    return index, value
