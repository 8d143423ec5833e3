"""A linear model that predicts the unknown losses of an instrument from its known ones.

A worn neck makes a worn back likelier, and a changed bridge a changed tailpiece. An unknown field f already
counts as its mean loss. This model adds Σ_g W[f, g] · (loss of g − mean loss of g) over the known fields g.
All W ≥ 0, so that a worse field never raises a value. The sum is bilinear so that its Shapley effects are
exact.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.price.core.backbone import row_sums
from models.price.core.basis import Floats, Table
from models.price.core.checks import check_numbers


@dataclass(frozen=True)
class MissingLossModel:
    """The fitted model over k loss `columns`.

    `losses`: (k, steps) log loss of each column at 0, 1, 2, …. `mean`: (k,) mean losses where known.
    `weights`: (k, k) W, with a row for each unknown field.
    """

    columns: tuple[str, ...]
    losses: Floats
    mean: Floats
    weights: Floats

    def sides(self, table: Table) -> tuple[Floats, Floats]:
        """Return (n, k) marks, 1 where a field is unknown, and (n, k) losses minus means, 0 where unknown."""
        unknown, departure = [], []
        grades = np.arange(self.losses.shape[1], dtype=np.float64)
        for k, column in enumerate(self.columns):
            x = table[column]
            known = ~np.isnan(x)
            loss = np.interp(np.where(known, x, 0.0), grades, self.losses[k])
            unknown.append(1.0 - known)
            departure.append(np.where(known, loss - self.mean[k], 0.0))
        return np.stack(unknown, axis=1), np.stack(departure, axis=1)

    def predict(self, table: Table) -> Floats:
        """Return the (n,) changes of the log value that follow from known losses for unknown fields."""
        unknown, departure = self.sides(table)
        pairs = unknown[:, :, None] * self.weights * departure[:, None, :]
        return -row_sums(pairs.reshape(len(pairs), -1))

    def state(self) -> dict[str, Any]:
        """Return the model as JSON."""
        return {name: np.asarray(x).tolist() for name, x in vars(self).items()}


def read_missing_losses(state: Mapping[str, Any]) -> MissingLossModel:
    """Read a model that `MissingLossModel.state` returned."""
    columns, k = tuple(state["columns"]), len(state["columns"])
    losses, mean, weights = (np.array(state[name], np.float64) for name in ("losses", "mean", "weights"))
    check_numbers("losses", losses, k, None)
    check_numbers("mean", mean, k)
    check_numbers("weights", weights, k, k)
    return MissingLossModel(columns, losses, mean, weights)
