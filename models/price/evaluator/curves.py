"""Blocks of one number, straight between knots, everything else fixed."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from models.price.basis import Basis, Linear, Ramps, Smooth, Table
from models.price.evaluator.pieces import Piece, Pieces, shared_prior


class Share(NamedTuple):
    """A weighted sum of pieces: its Σ θ·x, its prior variance, its vectors' places and their weights."""

    total: float
    prior: float
    at: tuple[int, ...] = ()
    weights: tuple[float, ...] = ()


def share_of(piece: Piece) -> Share:
    """One whole piece."""
    return Share(piece.total, piece.prior, (piece.at,), (1.0,))


class Curve:
    """Blocks over one numeric column whose other columns are as in `table`, a table of one row."""

    def __init__(
        self, pieces: Pieces, places: Sequence[int], bases: Sequence[Basis], column: str, table: Table
    ):
        self._pieces, self._places, self._column = pieces, places, column
        self._table: dict[str, Any] = dict(table)
        self._knots = _knots([b for b in bases if b.column == column])
        self._found: dict[float, Piece] = {}
        self._shared: dict[int, float] = {}  # by the knot on the left

    def at(self, x: float) -> Share:
        """The share at x, NaN where it is not known."""
        if math.isnan(x):
            return share_of(self._piece(x))
        left = min(max(bisect_right(self._knots, x) - 1, 0), len(self._knots) - 2)
        start, end = self._knots[left], self._knots[left + 1]
        if x in (start, end):
            return share_of(self._piece(x))
        return self._between(left, (x - start) / (end - start))

    def _between(self, left: int, t: float) -> Share:
        one, other = self._piece(self._knots[left]), self._piece(self._knots[left + 1])
        if left not in self._shared:
            self._shared[left] = shared_prior(one, other)
        own = 1 - t
        prior = own * own * one.prior + t * t * other.prior + 2 * own * t * self._shared[left]
        return Share(one.total + t * (other.total - one.total), prior, (one.at, other.at), (own, t))

    def _piece(self, x: float) -> Piece:
        key = x if x == x else math.inf  # NaN is no key: it is not equal to itself
        if key not in self._found:
            self._found[key] = self._pieces.of(self._places, self._table | {self._column: np.array([x])})
        return self._found[key]


def _knots(bases: Sequence[Basis]) -> list[float]:
    """Where any of the bases bends, and a point on either side: beyond them they are straight as well."""
    bends = {knot for basis in bases if isinstance(basis, Ramps | Smooth) for knot in basis.knots}
    middles = [basis.center for basis in bases if isinstance(basis, Linear)]
    inner = sorted(bends or middles or [0.0])
    reach = max(inner[-1] - inner[0], 1.0)
    return [inner[0] - reach, *inner, inner[-1] + reach]
