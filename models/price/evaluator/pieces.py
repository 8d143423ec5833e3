"""Pieces: cached parts of design rows, with their contribution to a value and to its variance."""

import threading
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from models.price.core.backbone import Backbone
from models.price.core.basis import Floats, Ints, Table, product
from models.price.core.posterior import Posterior

_OVERHEAD = 100  # Rough number of bytes of a row's position and key in a dictionary.
_ROOM = 64  # Number of pieces by which tables grow.
_AT_ONCE = 32  # Rows summed together: few enough for the products to stay in the processor's cache.


class Piece(NamedTuple):
    """A part of a design row: its values in the columns of some blocks.

    `at`: the position among all pieces. `home`: the first of the blocks; pieces of different homes share no
    column. `columns`: (m,) design columns; `scaled`: (m,) values there times prior standard deviations.
    """

    at: int
    home: int
    columns: Ints
    scaled: Floats


class Ledger:
    """A growing table of numbers. Rows keep their positions, and threads can read while others add rows."""

    def __init__(self, width: int) -> None:
        self._rows: Floats = np.empty((256, width))
        self._count = 0
        self._lock = threading.Lock()

    @property
    def nbytes(self) -> int:
        """The approximate number of bytes of the rows in use."""
        return int(self._count * (self._rows[0].nbytes + _OVERHEAD))

    def extend(self, rows: Floats) -> int:
        """Add rows, and return the position of the first; the others follow it."""
        with self._lock:
            at, end = self._count, self._count + len(rows)
            if end > len(self._rows):
                # The old array stays unchanged for threads that are reading it.
                more = max(end - at, at // 2)
                self._rows = np.concatenate([self._rows, np.empty((more, self._rows.shape[1]))])
            self._rows[at:end] = rows
            self._count = end
            return at

    def of(self, at: Sequence[int] | Ints) -> Floats:
        """Return the (…, width) rows at these positions."""
        return self._rows.take(at, axis=0)


class EntryColumn:
    """The columns of the ledger of entries; an entry is the contribution of one summand or loss field.

    `TOTAL`: contribution to the value. `PART`: contribution to a part of the value. `DEPARTURE`, `UNKNOWN`:
    loss minus mean, and a mark of an unknown loss (`core.missing_losses`). `VARIANCE`, `THIRD`: moments of an
    unknown loss. `AT`, `BEYOND`, `SHARE`: the fields of `Interpolation`.
    """

    TOTAL, PART, DEPARTURE, UNKNOWN, VARIANCE, THIRD, AT, BEYOND, SHARE = range(9)
    COUNT = 9


class Interpolation(NamedTuple):
    """Interpolation between pieces `at` and `beyond` by the `share` of the second: arrays of one shape."""

    at: Ints
    beyond: Ints
    share: Floats


class Pieces:
    """All pieces, each stored once, with its vector: `scaled` times the directions of the posterior.

    The covariance of two pieces is their prior covariance minus the product of their vectors (`Posterior`).
    `sums`: for each piece Σ θ·x, and the same sum over blocks that belong to a part of the value.
    """

    def __init__(self, backbone: Backbone, posterior: Posterior) -> None:
        self._backbone, self._posterior = backbone, posterior
        self._in_part = np.repeat([float(b.part != "") for b in backbone.blocks], np.diff(backbone.starts))
        self._found: dict[bytes, Piece] = {}
        self._rows_bytes = 0
        self._lock = threading.Lock()
        self._vectors = Ledger(posterior.directions.shape[1])
        self.sums = Ledger(2)
        self.ordered: list[Piece] = []

    def __len__(self) -> int:
        return len(self.ordered)

    @property
    def nbytes(self) -> int:
        """The approximate number of bytes of the vectors and of the parts of design rows."""
        return self._vectors.nbytes + self._rows_bytes

    def of_each(self, positions: Sequence[int], table: Table, count: int) -> list[Piece]:
        """Return the piece of the blocks at these positions for each of the `count` rows of a table."""
        rows = [(at, *product(self._backbone.blocks[at].bases, table)) for at in positions]
        if not rows:
            return [self._kept(-1, np.zeros(0, np.int64), np.zeros(0), (0.0, 0.0))] * count
        index = np.concatenate([self._backbone.starts[at] + i for at, i, _ in rows], axis=1)
        value = np.concatenate([v for _, _, v in rows], axis=1)
        return [self._of_row(positions[0], *row) for row in zip(index, value, strict=True)]

    def between(self, found: Interpolation) -> Floats:
        """Return (…, entry columns) entries interpolated between pieces; the columns of losses stay 0."""
        out = np.zeros((*found.at.shape, EntryColumn.COUNT))
        one, other = self.sums.of(found.at), self.sums.of(found.beyond)
        out[..., : EntryColumn.PART + 1] = one + found.share[..., None] * (other - one)
        out[..., EntryColumn.AT :] = np.stack(found, axis=-1)
        return out

    def intercept(self) -> Piece:
        """Return the piece of the intercept, whose column follows the columns of all blocks."""
        return self._kept(-1, self._backbone.starts[-1:], np.ones(1), (self._backbone.intercept, 0.0))

    def variance(self, at: Ints, weights: Floats) -> Floats:
        """Return the (n,) variances of n weighted sums of pieces; positions and weights are (m, n)."""
        return variance_of(*self.summed(at, weights))

    def summed(self, at: Ints, weights: Floats) -> tuple[Floats, Floats]:
        """Return n weighted sums of pieces: (n, p) scaled design rows and (n, r) vectors."""
        scaled = np.zeros((at.shape[1], len(self._posterior.sd)))
        vectors = np.zeros((at.shape[1], self._posterior.directions.shape[1]))
        for row in range(at.shape[1]):
            used = np.flatnonzero(weights[:, row])
            positions, shares = at[used, row], weights[used, row]
            for position, share in zip(positions.tolist(), shares.tolist(), strict=True):
                piece = self.ordered[position]
                scaled[row, piece.columns] += share * piece.scaled
            # No matrix product is used here, because its order of summing differs by machine.
            vectors[row] = np.einsum("p,pr->r", shares, self._vectors.of(positions))
        return scaled, vectors

    def loadings(self, at: Ints, weights: Floats) -> Floats:
        """Return the (n, p) loadings (`Posterior.loadings`) of n weighted sums of pieces."""
        return self._posterior.loadings(*self.summed(at, weights))

    def covariances(self, position: int, others: Sequence[int], kin: Sequence[int]) -> Floats:
        """Return (m,) covariances of a piece with m others. `kin`: which of the others have the same home."""
        vector, piece = self._vectors.of([position])[0], self.ordered[position]
        # `einsum` sums row by row, so that a covariance does not depend on what was asked for before it.
        found = -np.einsum("pr,r->p", self._vectors.of(others), vector)
        prior = np.zeros(len(self._posterior.sd))
        prior[piece.columns] = piece.scaled
        for at in kin:
            other = self.ordered[others[at]]
            found[at] += np.add.accumulate(prior[other.columns] * other.scaled)[-1:].sum()
        return np.asarray(found)

    def _of_row(self, home: int, index: Ints, value: Floats) -> Piece:
        used = value != 0
        index, value = index[used], value[used]
        own = self._backbone.theta[index] * value
        # The sums run in order, so that rounding can never turn a larger summand into a smaller sum.
        sums = [np.add.accumulate(each)[-1:].sum() for each in (own, own * self._in_part[index])]
        return self._kept(home, index, value, sums)

    def _kept(self, home: int, index: Ints, value: Floats, sums: Sequence[float]) -> Piece:
        key = index.tobytes() + value.tobytes()
        with self._lock:
            if key not in self._found:
                scaled = value * self._posterior.sd[index]
                vector = np.einsum("m,mr->r", scaled, self._posterior.directions[index])
                at = self._vectors.extend(vector[None])
                self.sums.extend(np.array([sums]))
                self.ordered.append(Piece(at, home, index, scaled))
                # The piece and its key each hold the two arrays.
                self._rows_bytes += 300 + 2 * (index.nbytes + scaled.nbytes)
                self._found[key] = self.ordered[at]
            return self._found[key]


def variance_of(scaled: Floats, vectors: Floats) -> Floats:
    """Return the (n,) variances of weighted sums from `Pieces.summed`, or of differences of such sums."""
    return np.asarray(np.maximum((scaled**2).sum(axis=1) - (vectors**2).sum(axis=1), 0.0))


class Covariances:
    """A table of covariances between pieces; a piece is added when it is first needed.

    The covariances of a row's pieces take a tenth of the memory of their vectors. `known`: covariances to
    start from.
    """

    def __init__(self, pieces: Pieces, known: "Covariances | None" = None) -> None:
        self._pieces, self._lock = pieces, threading.Lock()
        self._positions: list[int] = known._positions.copy() if known else []
        homes = known._homes if known else {}
        self._homes: dict[int, list[int]] = {home: own.copy() for home, own in homes.items()}
        self._rows: Ints = known._rows.copy() if known else np.full(0, -1)
        self._table: Floats = np.zeros((_ROOM, _ROOM)) if known is None else known._table.copy()

    def variance(self, at: Ints, weights: Floats) -> Floats:
        """Return the (n,) variances of n weighted sums of pieces; positions and weights are (m, n)."""
        used = weights.any(axis=1)
        at, weights = at[used], weights[used]
        if int(at.max()) >= len(self._rows) or int(self._rows.take(at).min()) < 0:
            self.add(np.unique(at).tolist())
        rows, table = self._rows.take(at), self._table
        parts = [slice(start, start + _AT_ONCE) for start in range(0, at.shape[1], _AT_ONCE)]
        return np.concatenate([_quadratic(table, rows[:, part], weights[:, part]) for part in parts])

    def add(self, positions: Sequence[int]) -> None:
        """Add the pieces at these positions: their covariances with each other and with earlier pieces."""
        with self._lock:
            if len(self._rows) < len(self._pieces):
                more = len(self._pieces) + _ROOM - len(self._rows)
                self._rows = np.concatenate([self._rows, np.full(more, -1)])
            for position in positions:
                if self._rows[position] < 0:
                    self._add_one(position)

    def _add_one(self, position: int) -> None:
        row, home = len(self._positions), self._homes.setdefault(self._pieces.ordered[position].home, [])
        if row == len(self._table):
            # The old table stays unchanged for threads that are reading it.
            self._table = np.pad(self._table, (0, _ROOM))
        self._positions.append(position)
        home.append(row)
        found = self._pieces.covariances(position, self._positions, home)
        self._table[row, : row + 1] = self._table[: row + 1, row] = found
        self._rows[position] = row


def _quadratic(table: Floats, rows: Ints, weights: Floats) -> Floats:
    """Return (n,) wᵀ C w for each column w of weights (m, n); C is the table at that column of `rows`."""
    covariances = table.ravel().take((rows * len(table))[:, None] + rows)
    # `einsum` adds up each column by itself and in order, so that no sum depends on the number of columns.
    return np.asarray(np.maximum(np.einsum("ijn,in,jn->n", covariances, weights, weights), 0.0))
