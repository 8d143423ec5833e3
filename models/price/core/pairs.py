"""Boosted trees as what they are: a sum of tables, each over two inputs.

The trees are fitted so that no path from root to leaf splits on more than two inputs (LightGBM's
`interaction_constraints`). Each leaf is then a rectangle in the plane of its two inputs, and all leaves of
all trees over the same pair add up to one table of the pair's bins. So the whole forest

    F(x) = offset + Σ_{i ≤ j} table_ij(bin of x_i, bin of x_j)

is evaluated by one look into each table, however many trees there were, and its Shapley effects between a
subject x and a reference r are exact: with g the sum of the tables, input i has the effect

    ½ [F(x) − F(x with r_i)] + ½ [F(r with x_i) − F(r)]

which is the mean over all orders (Shapley 1953) for a function of pairs. Where F never rises with input i,
neither effect does. For the same reason the effect of several inputs together is the sum of their effects.

Leaf values are whole multiples of a tiny power of two, so sums are exact in any order: a batch equals its
rows to the bit, and rounding cannot turn a sign.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from models.errors import ForestError
from models.price.core.basis import Floats, Ints
from models.price.core.boosters import Booster, Tree, read_boosters

_UNIT = 2.0**-44  # leaf values are multiples of it: sums stay exact while they are below 2**8
_Box = dict[int, tuple[float, float]]  # input → above which value, and up to which


@dataclass(frozen=True)
class PairTables:
    """The forest over p inputs as a sum of tables.

    `names`: of the inputs. `edges`: per input the ascending upper ends of all its bins but the last. `pairs`:
    (t, 2) the inputs of each table, i ≤ j; a table over one input alone names it twice. `values`: all tables,
    row by row, one behind the other; `starts`, `widths`: (t,) where each begins and how long its rows are.
    """

    names: tuple[str, ...]
    edges: tuple[Floats, ...]
    pairs: Ints
    values: Floats
    starts: Ints
    widths: Ints

    @staticmethod
    def from_text(texts: Sequence[str]) -> PairTables:
        """The mean of the boosters that `Booster.model_to_string()` wrote.

        Raises ForestError for a text that is damaged (see `read_booster`) and for a path over three inputs.
        """
        return _Builder(read_boosters(texts)).tables()

    def predict(self, x: Floats) -> Floats:
        """(n,) values at rows x (n, p)."""
        bins = self._bins(x)
        return np.asarray(self._looked_up(bins, bins).sum(axis=1))

    def explained(self, x: Floats, r: Floats) -> tuple[Floats, Floats, Floats]:
        """(n,) F(x), (n,) F(r) and the (n, p) Shapley effects that lead from rows r to rows x (n, p)."""
        own, base = self._bins(x), self._bins(r)
        xx, xr, rx, rr = (
            self._looked_up(one, other) for one, other in ((own, own), (own, base), (base, own), (base, base))
        )
        # Exact sums have no order. A table over one input alone moves by its second, which is that input.
        both, apart = xx - rr, rx - xr
        effects = 0.5 * ((both - apart) @ self._places[0] + (both + apart) @ self._places[1])
        return xx.sum(axis=1), rr.sum(axis=1), effects

    def wrong_steps(self, signs: Sequence[int]) -> dict[str, float]:
        """Input → the largest step of F against its sign when only it grows; empty where there is none.

        `signs`: per input −1 (F never rises with it), 1 (never falls) or 0 (free). Proven, not sampled: from
        one bin to the next the tables of an input move by amounts that depend on one other input each, so the
        largest step is the sum of each table's largest. Raises ValueError for another sign.
        """
        if len(signs) != len(self.names) or any(sign not in (-1, 0, 1) for sign in signs):
            raise ValueError(
                f"one sign of -1, 0 or 1 is needed for each of {len(self.names)} inputs: {signs}"
            )
        worst = {}
        for at, sign in enumerate(signs):
            steps = np.zeros(len(self.edges[at]))
            for table, along in self._tables_of(at):
                moved = -sign * np.diff(table, axis=along)
                steps = steps + moved.max(axis=1 - along)
            if sign and len(steps) and steps.max() > 0:
                worst[self.names[at]] = float(steps.max())
        return worst

    def beyond(self, x: Floats) -> dict[tuple[str, str], Floats]:
        """Pair of names → (n,) what its table says of rows x (n, p) beyond its two inputs alone.

        That is what is left of the table's values once their additive fit on the bins of the two inputs is
        taken out (a two-way analysis of variance).
        """
        bins, out = self._bins(x), {}
        looked = self._looked_up(bins, bins)
        for at, (i, j) in enumerate(self.pairs.tolist()):
            if i != j:
                left = _without_main_effects(looked[:, at], bins[:, i], bins[:, j])
                out[(self.names[i], self.names[j])] = left
        return out

    # ── inside ───────────────────────────────────────────────────────────────

    def _bins(self, x: Floats) -> Ints:
        """(n, p) the bin of every input: the first whose upper end is not below the value."""
        if x.ndim != 2 or x.shape[1] != len(self.names):
            raise ValueError(f"rows of {len(self.names)} inputs are needed, got an array of shape {x.shape}")
        if len(x) == 1:
            found = [
                bisect_left(edges, value) for edges, value in zip(self._lists, x[0].tolist(), strict=True)
            ]
            return np.array([found])
        columns = [np.searchsorted(edges, x[:, at]) for at, edges in enumerate(self.edges)]
        return np.stack(columns, axis=1)

    @cached_property
    def _lists(self) -> list[list[float]]:
        return [edges.tolist() for edges in self.edges]

    @cached_property
    def _sides(self) -> tuple[Ints, Ints]:
        """(t,) the first and the second input of every table."""
        i, j = np.ascontiguousarray(self.pairs.T)
        return i, j

    @cached_property
    def _places(self) -> tuple[Floats, Floats]:
        """Two (t, p) matrices of 0 and 1: the first and the second input of every table."""
        of_input = np.arange(len(self.names))
        first, second = ((self.pairs[:, side, None] == of_input).astype(np.float64) for side in (0, 1))
        return first, second

    def _looked_up(self, one: Ints, other: Ints) -> Floats:
        """(n, t) every table at `one`'s bins of its first input and `other`'s of its second."""
        i, j = self._sides
        return self.values.take(self.starts + one.take(i, axis=1) * self.widths + other.take(j, axis=1))

    def _tables_of(self, at: int) -> list[tuple[Floats, int]]:
        """The tables of one input as matrices, and its side of each; one alone has a single column."""
        out = []
        for table, (i, j) in enumerate(self.pairs.tolist()):
            if at in (i, j):
                rows = len(self.edges[i]) + 1
                whole = self.values[self.starts[table] :][: rows * max(self.widths[table], 1)]
                out.append((whole.reshape(rows, -1), 0 if at == i else 1))
        return out


class _Builder:
    """Adds up the leaves of all trees of some boosters."""

    def __init__(self, boosters: Sequence[Booster]) -> None:
        self._share = 1.0 / len(boosters)
        self._trees = [tree for booster in boosters for tree in booster.trees]
        self.names = boosters[0].columns
        thresholds: list[set[float]] = [set() for _ in self.names]
        for tree in self._trees:
            for column, threshold in zip(tree.column, tree.threshold, strict=True):
                thresholds[column].add(threshold)
        self._edges = [sorted(found) for found in thresholds]
        self._tables: dict[tuple[int, int], Floats] = {}

    def tables(self) -> PairTables:
        """The sum of all leaves."""
        for tree in self._trees:
            self._add(tree, 0 if tree.column else -1, {})
        pairs = sorted(self._tables) or [(0, 0)]
        tables = [self._tables.get(pair, np.zeros((len(self._edges[0]) + 1, 1))) for pair in pairs]
        sizes = np.array([table.size for table in tables])
        widths = [0 if i == j else len(self._edges[j]) + 1 for i, j in pairs]
        # A table over one input alone is one row, found by that input as the second.
        return PairTables(
            self.names,
            tuple(np.array(edges) for edges in self._edges),
            np.array(pairs),
            np.concatenate([table.ravel() for table in tables]),
            np.cumsum(sizes) - sizes,
            np.array(widths),
        )

    def _add(self, tree: Tree, node: int, box: _Box) -> None:
        if node < 0:
            self._add_leaf(tree.leaves[-1 - node], box)
            return
        column, threshold = tree.column[node], tree.threshold[node]
        low, high = box.get(column, (-np.inf, np.inf))
        self._add(tree, tree.left[node], {**box, column: (low, min(high, threshold))})
        self._add(tree, tree.right[node], {**box, column: (max(low, threshold), high)})

    def _add_leaf(self, value: float, box: _Box) -> None:
        inputs = sorted(box) or [0]
        if len(inputs) > 2:
            raise ForestError(
                f"a path of the trees splits on {len(inputs)} inputs "
                f"({', '.join(self.names[i] for i in inputs)}); fit with interaction_constraints of pairs"
            )
        pair = (inputs[0], inputs[-1])
        table = self._tables.get(pair)
        if table is None:
            columns = 1 if len(inputs) == 1 else len(self._edges[inputs[1]]) + 1
            table = self._tables[pair] = np.zeros((len(self._edges[inputs[0]]) + 1, columns))
        spans = tuple(self._span(i, *box[i]) for i in inputs if i in box)
        table[spans] += np.rint(value * self._share / _UNIT) * _UNIT

    def _span(self, at: int, low: float, high: float) -> slice:
        """The bins of values above `low` and up to `high`."""
        edges = self._edges[at]
        start = 0 if low == -np.inf else bisect_right(edges, low)
        stop = len(edges) + 1 if high == np.inf else bisect_left(edges, high) + 1
        return slice(start, stop)


def _without_main_effects(values: Floats, one: Ints, other: Ints) -> Floats:
    """(n,) what is left of values once both factors' main effects are taken out, by alternating means."""
    left = values - values.mean()
    for _ in range(20):
        for factor in (one, other):
            counts = np.maximum(np.bincount(factor), 1)
            left = left - (np.bincount(factor, weights=left) / counts)[factor]
    return np.asarray(left)
