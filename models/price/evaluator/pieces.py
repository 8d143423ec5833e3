"""Rows of parts of the design, kept with what they add to a value and to what is not known about it."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from operator import itemgetter
from typing import NamedTuple

import numpy as np

from models.price.backbone import Backbone
from models.price.basis import Floats, Ints, Table, product
from models.price.posterior import Posterior

_ROOM = 64  # pieces more at a time
_OVERHEAD = 400  # bytes that a piece and its places in two dictionaries take beside its arrays


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
        self._ordered: list[Piece] = []
        self._rows_bytes = 0
        self._lock = threading.Lock()
        self.vectors: Floats = np.empty((256, posterior.directions.shape[1]))

    def __len__(self) -> int:
        return len(self._found)

    @property
    def nbytes(self) -> int:
        """What the vectors in use and the rows of the design take."""
        return int(len(self) * (self.vectors[0].nbytes + _OVERHEAD)) + self._rows_bytes

    def of(self, places: Sequence[int], table: Table) -> Piece:
        """The piece of the blocks at these places, for a table of one row."""
        return self._of_row(*(side[0] for side in self._design(places, table)))

    def of_each(self, places: Sequence[int], table: Table) -> list[Piece]:
        """The pieces of the same for every row of a table."""
        return [self._of_row(*row) for row in zip(*self._design(places, table), strict=True)]

    def intercept(self) -> Piece:
        """The piece of the column after those of all blocks."""
        return self._kept(self._backbone.starts[-1:], np.ones(1), self._backbone.intercept)

    def difference(
        self, one: tuple[Sequence[int], Sequence[float]], other: tuple[Sequence[int], Sequence[float]]
    ) -> float:
        """The variance of the difference of two weighted sums of pieces, each of places and weights.

        What both have cancels: the prior is taken of the difference of their design columns.
        """
        scaled = np.zeros(len(self._posterior.sd))
        for sign, (at, weights) in ((1.0, one), (-1.0, other)):
            for place, weight in zip(at, weights, strict=True):
                piece = self._ordered[place]
                scaled[piece.columns] += sign * weight * piece.scaled
        vector = np.zeros(self.vectors.shape[1])
        for sign, (at, weights) in ((1.0, one), (-1.0, other)):
            vector += sign * np.einsum("p,pr->r", np.array(weights), self.vectors[list(at)])
        return max(float((scaled**2).sum() - (vector**2).sum()), 0.0)

    def covariance(self, sums: Sequence[tuple[Sequence[int], Sequence[float]]]) -> Floats:
        """(n, n) covariance of n weighted sums of pieces, each of places and weights."""
        scaled = np.zeros((len(sums), len(self._posterior.sd)))
        known = np.zeros((len(sums), self.vectors.shape[1]))
        for row, (at, weights) in enumerate(sums):
            known[row] = np.einsum("p,pr->r", np.array(weights), self.vectors[list(at)])
            for place, weight in zip(at, weights, strict=True):
                piece = self._ordered[place]
                scaled[row, piece.columns] += weight * piece.scaled
        return np.asarray(scaled @ scaled.T - known @ known.T)

    def _design(self, places: Sequence[int], table: Table) -> tuple[Ints, Floats]:
        rows = [(at, *product(self._backbone.blocks[at].bases, table)) for at in places]
        if not rows:
            return np.zeros((1, 0), np.int64), np.zeros((1, 0))
        index = np.concatenate([self._backbone.starts[at] + i for at, i, _ in rows], axis=1)
        return index, np.concatenate([v for _, _, v in rows], axis=1)

    def _of_row(self, index: Ints, value: Floats) -> Piece:
        used = value != 0
        index, value = index[used], value[used]
        # One after the other, so that a larger part can never make a smaller sum.
        total = np.add.accumulate(self._backbone.theta[index] * value)[-1:].sum()
        return self._kept(index, value, float(total))

    def square(self, at: Sequence[int], weights: Sequence[float]) -> float:
        """The square of the weighted sum of the vectors at these places."""
        # Not by a matrix product: its order of summing differs by machine.
        vector = np.einsum("p,pr->r", np.array(weights), self.vectors.take(at, axis=0))
        return float(np.einsum("r,r->", vector, vector))

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
        piece = Piece(total, at, float((scaled**2).sum()), index, scaled)
        self._ordered.append(piece)
        self._rows_bytes += 2 * (index.nbytes + scaled.nbytes)  # in the piece, and in its key
        self.vectors[at] = np.einsum("m,mr->r", scaled, self._posterior.directions[index])
        return piece


def shared_prior(one: Piece, other: Piece) -> float:
    """The covariance of two pieces before any data: of the columns that both have."""
    _, i, j = np.intersect1d(one.columns, other.columns, assume_unique=True, return_indices=True)
    return float((one.scaled[i] * other.scaled[j]).sum())


class Products:
    """The products of the vectors of every two of some pieces, each worked out when it is first needed.

    The vectors are long: reading the products of a row's pieces takes a tenth of the memory that they would.
    `known`: products that are there already.
    """

    def __init__(self, pieces: Pieces, known: Products | None = None) -> None:
        self._pieces, self._lock = pieces, threading.Lock()
        self._rows: dict[int, int] = dict(known._rows) if known else {}
        self._table: Floats = np.pad(known._table, (0, _ROOM)) if known else np.zeros((_ROOM, _ROOM))

    def square(self, at: Sequence[int], weights: Sequence[float]) -> float:
        """The square of the weighted sum of the vectors at these places, of which there are two or more."""
        places_of = itemgetter(*at)
        try:
            rows = places_of(self._rows)
        except KeyError:
            self.add(at)
            rows = places_of(self._rows)
        each = np.array(weights)
        return float((each @ self._table.take(rows, axis=0)).take(rows) @ each)

    def add(self, at: Sequence[int]) -> None:
        """Work out the products of these, with each other and with those that are there."""
        with self._lock:
            for place in at:
                if place not in self._rows:
                    self._add_one(place)

    def _add_one(self, place: int) -> None:
        row, vectors = len(self._rows), self._pieces.vectors
        if row == len(self._table):
            # The old table stays as it is for whoever is reading it.
            self._table = np.pad(self._table, (0, _ROOM))
        # One by one: a product must not depend on what was asked for before it.
        products = np.einsum("pr,r->p", vectors.take([*self._rows, place], axis=0), vectors[place])
        self._table[row, : row + 1] = self._table[: row + 1, row] = products
        self._rows[place] = row
