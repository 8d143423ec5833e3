"""The rule by which the known losses of an instrument tell of the unknown ones.

A worn neck makes a worn back likelier, a changed bridge a changed tailpiece. An unknown field f already
carries the mean loss of such fields; this moves it by Σ_g W[f, g] · (loss of g − its mean) over the known
fields g, with W ≥ 0, so that a worse field never raises a value. The form is bilinear on purpose: its Shapley
effects are exact.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.price.core.backbone import row_sums
from models.price.core.basis import Floats, Table


@dataclass(frozen=True)
class MissingLossModel:
    """The rule over k ordinal `columns`.

    `losses`: (k, steps) log loss at 0, 1, 2, …; `mean`: (k,) their means where known; `weights`: (k, k).
    """

    columns: tuple[str, ...]
    losses: Floats
    mean: Floats
    weights: Floats

    def sides(self, table: Table) -> tuple[Floats, Floats]:
        """(n, k) 1 where unknown, and (n, k) departures from the means, 0 where unknown."""
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
        """(n,) log value that the known losses add to or take from the unknown fields."""
        unknown, departure = self.sides(table)
        pairs = unknown[:, :, None] * self.weights * departure[:, None, :]
        return -row_sums(pairs.reshape(len(pairs), -1))

    def state(self) -> dict[str, Any]:
        """As JSON."""
        return {name: np.asarray(x).tolist() for name, x in vars(self).items()}


def read_missing_losses(state: Mapping[str, Any]) -> MissingLossModel:
    """The rule that `state()` described."""
    arrays = (np.array(state[name], np.float64) for name in ("losses", "mean", "weights"))
    return MissingLossModel(tuple(state["columns"]), *arrays)
