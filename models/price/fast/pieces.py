"""Rows of parts of the design, kept with what they add to a value and to what is not known about it."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from models.price.backbone import Backbone
from models.price.basis import Floats, Ints, Table, product
from models.price.posterior import Posterior


class Piece(NamedTuple):
    """One row of some blocks' design.

    `total`: Σ θ·x. `at`: the place of its vector. `prior`: its variance before any data. `columns`,
    `scaled`: (m,) its design columns, and its values there times their prior standard deviations.
    """

    total: float
    at: int
    prior: float
    columns: Ints
    scaled: Floats


class Pieces:
    """Every piece once, and its vector: `scaled` times the directions that the data determine.

    The variance of a weighted sum of pieces is that of their priors less the square of the weighted sum of
    their vectors (`Posterior`). `vectors`: (room, r), the rows in use first.
    """

    def __init__(self, backbone: Backbone, posterior: Posterior) -> None:
        self._backbone, self._posterior = backbone, posterior
        self._found: dict[bytes, Piece] = {}
        self._lock = threading.Lock()
        self._own = threading.local()
        self.vectors: Floats = np.empty((256, posterior.directions.shape[1]))

    def __len__(self) -> int:
        return len(self._found)

    @property
    def nbytes(self) -> int:
        """What the vectors in use take."""
        return int(len(self) * self.vectors[0].nbytes)

    def square(self, at: Sequence[int], weights: Sequence[float]) -> float:
        """The square of the weighted sum of the vectors at these places."""
        room = getattr(self._own, "room", None)
        if room is None or len(room) < len(at):
            # New memory of this size for every row would cost more than all that is done in it.
            room = self._own.room = np.empty((2 * len(at), self.vectors.shape[1]))
        # "clip": the other modes write to memory of their own first.
        vectors = self.vectors.take(at, axis=0, out=room[: len(at)], mode="clip")
        total = np.array(weights) @ vectors
        return float(total @ total)

    def of(self, places: Sequence[int], table: Table) -> Piece:
        """The piece of the blocks at these places, for a table of one row."""
        index, value = self._design(places, table)
        # One after the other, so that a larger part can never make a smaller sum.
        total = np.add.accumulate(self._backbone.theta[index] * value)[-1:].sum()
        return self._kept(index, value, float(total))

    def intercept(self) -> Piece:
        """The piece of the column after those of all blocks."""
        return self._kept(self._backbone.starts[-1:], np.ones(1), self._backbone.intercept)

    def _design(self, places: Sequence[int], table: Table) -> tuple[Ints, Floats]:
        rows = [(at, *product(self._backbone.blocks[at].bases, table)) for at in places]
        index = np.concatenate(
            [np.zeros(0, np.int64), *(self._backbone.starts[at] + i[0] for at, i, _ in rows)]
        )
        value = np.concatenate([np.zeros(0), *(v[0] for _, _, v in rows)])
        used = value != 0
        return index[used], value[used]

    def _kept(self, index: Ints, value: Floats, total: float) -> Piece:
        key = index.tobytes() + value.tobytes()
        with self._lock:
            if key not in self._found:
                self._found[key] = self._added(index, value * self._posterior.sd[index], total)
            return self._found[key]

    def _added(self, index: Ints, scaled: Floats, total: float) -> Piece:
        at = len(self._found)
        if at == len(self.vectors):
            # The old rows stay as they are for whoever is reading them.
            self.vectors = np.concatenate([self.vectors, np.empty((at // 2, self.vectors.shape[1]))])
        self.vectors[at] = np.einsum("m,mr->r", scaled, self._posterior.directions[index])
        return Piece(total, at, float((scaled**2).sum()), index, scaled)


def shared_prior(one: Piece, other: Piece) -> float:
    """The covariance of two pieces before any data: of the columns that both have."""
    _, i, j = np.intersect1d(one.columns, other.columns, assume_unique=True, return_indices=True)
    return float((one.scaled[i] * other.scaled[j]).sum())
