"""The rows that a core is fitted on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.price.core.basis import Floats, Ints, Table
from models.price.evaluator.encoding import Row
from training.fit.design.problem import SALE
from training.fit.design.statements import Statements


@dataclass(frozen=True)
class Thinned:
    """Some of the sales again, with fields hidden on purpose. `source`: (m,) the rows that they were."""

    source: Ints
    table: Table
    rows: Sequence[Row]


@dataclass(frozen=True)
class Data:
    """n rows. `y`: log price. `gap`: "" for a sale, else the level of its gap; `kind`: what noise it has.

    `table` and `rows` are the same rows, as columns and as the evaluator takes them. `specimen`: rows of one
    specimen share it. `thinned`: some of the sales again with fields hidden on purpose. `statements`: common
    practice, which the fit takes as informative priors.
    """

    table: Table
    rows: Sequence[Row]
    y: Floats
    gap: Sequence[str]
    kind: Sequence[str]
    specimen: Sequence[str]
    thinned: Thinned | None = None
    statements: Statements | None = None

    @property
    def sale(self) -> np.ndarray:
        return np.array([g == SALE for g in self.gap])
