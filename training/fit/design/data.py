"""The input of a fit: rows of evidence with log prices, kinds of price and specimens."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.price.core.basis import Floats, Ints, Table
from models.price.evaluator.encoding import Row
from training.fit.design.problem import SALE
from training.fit.design.statements import Statements


@dataclass(frozen=True)
class Thinned:
    """Copies of m sales with fields hidden on purpose. `source`: (m,) positions of the sales in the data."""

    source: Ints
    table: Table
    rows: Sequence[Row]


@dataclass(frozen=True)
class Data:
    """The n rows of a fit, both as the columns of `table` and as the `rows` that an evaluator takes.

    `y`: (n,) log price. `gap`: "" for a sale, else the name of the row's gap, the mean log difference of such
    asking prices or offers from sales. `kind`: rows of one kind share a noise variance. `specimen`: a name
    that all rows of one specimen share. `thinned`: copies of sales with fields hidden on purpose.
    `statements`: rules of common practice, used as priors.
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
