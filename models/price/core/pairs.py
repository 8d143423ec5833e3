"""Boosted trees rewritten as a sum of tables, each over two inputs.

The trees are fitted so that no path from root to leaf splits on more than two inputs (LightGBM's
`interaction_constraints`). Each leaf is then a rectangle in the plane of its two inputs, and all leaves of
all trees over the same pair add up to one table of the pair's bins. So the whole forest

    F(x) = Σ_{i ≤ j} table_ij(bin of x_i, bin of x_j)

is evaluated by one lookup in each table, however many trees there were. Its Shapley effects between a subject
x and a reference r are exact: input i has the effect

    ½ [F(x) − F(x with r_i)] + ½ [F(r with x_i) − F(r)]

which, for a function of pairs, is the mean over all orders (Shapley 1953). If F never rises with input i, the
effect of a higher x_i is never positive.

Leaf values are rounded to multiples of a tiny power of two, so that sums are exact in any order: the
prediction of a row does not depend on the rows beside it, and rounding cannot change a sign.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from models.errors import ForestError
from models.price.core.basis import Floats, Ints
from models.price.core.boosters import Booster, Tree, read_boosters

_UNIT = 2.0**-44  # Leaf values are rounded to multiples of this; sums are then exact while below 2**8.
_Box = dict[int, tuple[float, float]]  # Input → lower end (excluded) and upper end (included) of a leaf.


@dataclass(frozen=True)
class PairTables:
    """The boosted trees over p inputs as a sum of t tables.

    `names`: of the inputs. `edges`: for each input, the ascending upper ends of all its bins but the last.
    `pairs`: (t, 2) inputs i ≤ j of each table; a table over one input has i = j. `values`: the entries of all
    tables in one array, table by table and row by row. `starts`: (t,) position of each table's first entry.
    `widths`: (t,) length of each table's rows, 0 for a table over one input.
    """

    names: tuple[str, ...]
    edges: tuple[Floats, ...]
    pairs: Ints
    values: Floats
    starts: Ints
    widths: Ints

    @staticmethod
    def from_text(texts: Sequence[str]) -> "PairTables":
        """Read the mean of several boosters from the texts of `Booster.model_to_string()`.

        Raises ForestError as `read_booster`, and for a path that splits on more than two inputs.
        """
        return _Builder(read_boosters(texts)).tables()

    def predict(self, x: Floats) -> Floats:
        """Return the (n,) predictions for rows x (n, p)."""
        bins = self._bins(x)
        return np.asarray(self._looked_up(bins, bins).sum(axis=1))

    def explained(self, x: Floats, r: Floats) -> tuple[Floats, Floats, Floats]:
        """Return (n,) F(x), (n,) F(r) and (n, p) Shapley effects from rows r (n, p) to rows x (n, p)."""
        own, base = self._bins(x), self._bins(r)
        xx, xr, rx, rr = (
            self._looked_up(one, other) for one, other in ((own, own), (own, base), (base, own), (base, base))
        )
        # Exact sums do not depend on order, so matrix products are safe. A table over one input is looked up
        # by its second input.
        both, apart = xx - rr, rx - xr
        effects = 0.5 * ((both - apart) @ self._places[0] + (both + apart) @ self._places[1])
        return xx.sum(axis=1), rr.sum(axis=1), effects

    def wrong_steps(self, signs: Sequence[int]) -> dict[str, float]:
        """Return input → the largest step of F against the input's sign; empty if no input breaks its sign.

        `signs`: for each input −1 (F must never rise with it), 1 (never fall) or 0 (free). The result is
        exact, not sampled: each table of an input depends on one other input, so the largest step of F is the
        sum of the tables' largest steps. Raises ValueError for other signs or another number of them.
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
        """Return pair of names → (n,) interactions of the two inputs in rows x (n, p).

        The interaction is the table's value minus its additive fit on the bins of the two inputs (a two-way
        analysis of variance).
        """
        bins, out = self._bins(x), {}
        looked = self._looked_up(bins, bins)
        for at, (i, j) in enumerate(self.pairs.tolist()):
            if i != j:
                left = _without_main_effects(looked[:, at], bins[:, i], bins[:, j])
                out[(self.names[i], self.names[j])] = left
        return out

    def _bins(self, x: Floats) -> Ints:
        """Return (n, p) bins: for each input, the first bin whose upper end is not below the value."""
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
        """(t,) first inputs and (t,) second inputs of the tables."""
        i, j = np.ascontiguousarray(self.pairs.T)
        return i, j

    @cached_property
    def _places(self) -> tuple[Floats, Floats]:
        """Two (t, p) matrices of 0 and 1 that mark the first and the second input of each table."""
        of_input = np.arange(len(self.names))
        first, second = ((self.pairs[:, side, None] == of_input).astype(np.float64) for side in (0, 1))
        return first, second

    def _looked_up(self, one: Ints, other: Ints) -> Floats:
        """Return (n, t) table entries, with first inputs in bins `one` and second inputs in bins `other`."""
        i, j = self._sides
        return self.values.take(self.starts + one.take(i, axis=1) * self.widths + other.take(j, axis=1))

    def _tables_of(self, at: int) -> list[tuple[Floats, int]]:
        """Return each table of one input as a matrix (one column if of it alone), and the input's axis."""
        out = []
        for table, (i, j) in enumerate(self.pairs.tolist()):
            if at in (i, j):
                rows = len(self.edges[i]) + 1
                whole = self.values[self.starts[table] :][: rows * max(self.widths[table], 1)]
                out.append((whole.reshape(rows, -1), 0 if at == i else 1))
        return out


class _Builder:
    """A builder of the tables, which adds up the leaves of all trees of several boosters."""

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
        """Return the tables with the sum of all leaves."""
        for tree in self._trees:
            self._add(tree, 0 if tree.column else -1, {})
        pairs = sorted(self._tables) or [(0, 0)]
        tables = [self._tables.get(pair, np.zeros((len(self._edges[0]) + 1, 1))) for pair in pairs]
        sizes = np.array([table.size for table in tables])
        widths = [0 if i == j else len(self._edges[j]) + 1 for i, j in pairs]
        # A table over one input has width 0, so that only its second input, the same one, picks the entry.
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
        """Return the bins of an input for values above `low` and up to `high`."""
        edges = self._edges[at]
        start = 0 if low == -np.inf else bisect_right(edges, low)
        stop = len(edges) + 1 if high == np.inf else bisect_left(edges, high) + 1
        return slice(start, stop)


def _without_main_effects(values: Floats, one: Ints, other: Ints) -> Floats:
    """Return the (n,) values without the main effects of both factors, removed by alternating means."""
    left = values - values.mean()
    for _ in range(20):
        for factor in (one, other):
            counts = np.maximum(np.bincount(factor), 1)
            left = left - (np.bincount(factor, weights=left) / counts)[factor]
    return np.asarray(left)
