"""Specify our fit on an open data set by the scales of its columns, with one rule for all data sets."""

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from models.price.core.basis import Basis, Floats, Ramps, Table, product
from models.price.core.core import COLUMN, PART, Input
from training.fit.core import problem_of
from training.fit.design.data import Data
from training.fit.design.problem import SALE
from training.fit.design.recipes import BasisFactory, levels, linear, smooth, unknown
from training.fit.design.specification import Growth, Specification
from training.fit.design.terms import BackboneTerm
from training.fit.solve.empirical_bayes import fit_backbone
from training.fit.solve.solution import first_solution
from training.yardstick.encoding import TableEncoding
from training.yardstick.open_data import Feature, Scale

_PAIRED, _ROWS_A_COLUMN = 8, 60  # largest number of columns to fit in pairs; rows needed for each of them
_FIRST_STEPS = 6  # steps of the first fit: enough to rank the columns by their effects

_TREES = Growth(
    parameters={
        "objective": "regression",
        "learning_rate": 0.05,
        "num_leaves": 16,
        "min_data_in_leaf": 2,
        "lambda_l2": 0.3,
        "bagging_fraction": 0.9,
        "bagging_freq": 1,
        "max_bin": 255,
        "min_data_in_bin": 1,
        "use_missing": False,
        "verbosity": -1,
        "num_threads": 1,
        "deterministic": True,
        "force_row_wise": True,
    },
    rounds=1500,
    bags=4,
    handed_level=1.0,
    patience=40,
)


def specification_of(columns: Sequence[Feature], table: Table, log_price: Floats) -> Specification:
    """Return the specification of a fit: curves and jumps for numbers, pooled effects for levels, and pairs.

    Only the columns whose effects vary most are fitted in pairs. Beside the sum of all these terms (the
    backbone), trees predict the whole price from the numbers and from the fitted effects of levels.
    """
    alone = (*backbone_terms(columns), *jumps_of(columns))
    together = pair_terms(_that_matter(columns, alone, table, log_price))
    inputs = tuple(
        Input(c.name, PART if c.scale is Scale.LEVEL else COLUMN, () if c.scale is Scale.LEVEL else (c.name,))
        for c in columns
    )
    return Specification((*alone, *together), inputs, _TREES, relearn=True)


def data_of(encoding: TableEncoding, table: Table, log_price: Floats) -> Data:
    """Return the rows of an open data set for a fit, each as a closed sale of a different item."""
    sales = [SALE] * len(log_price)
    return Data(table, encoding.rows(table), log_price, sales, sales, [str(row) for row in range(len(sales))])


def backbone_terms(columns: Sequence[Feature]) -> list[BackboneTerm]:
    """Return the terms of every column by itself; an unknown value has an effect of its own."""
    out: list[BackboneTerm] = []
    for column in columns:
        name = column.name
        if column.scale is Scale.LEVEL:
            out.append(BackboneTerm(name, (levels(name),), part=name))
            continue
        out.append(BackboneTerm(name, (linear(name),), part=name))
        out.append(BackboneTerm(f"{name} curve", (smooth(name),), part=name))
        out.append(BackboneTerm(f"{name} unknown", (unknown(name),), group="unknown", part=name))
        if column.scale is Scale.GRADE:
            out.append(BackboneTerm(f"{name} level", (levels(f"{name}="),), part=name))
    return out


def jumps_of(columns: Sequence[Feature]) -> list[BackboneTerm]:
    """Return a random-walk term along every number, because prices jump at round sizes."""
    numbers = [c.name for c in columns if c.scale in (Scale.NUMBER, Scale.SIZE)]
    return [BackboneTerm(f"{name} jumps", (rungs(name),), part=name) for name in numbers]


def pair_terms(columns: Sequence[Feature]) -> list[BackboneTerm]:
    """Return the terms of every pair of these columns; each product of two bases has its own variance."""
    return [
        BackboneTerm(f"{one} × {other}", (of_one, of_other))
        for first, second in combinations(columns, 2)
        for one, of_one in _bases(first)
        for other, of_other in _bases(second)
    ]


def rungs(column: str) -> BasisFactory:
    """Return a factory of a basis with one step between each two neighbouring quantiles of the column.

    There are 40 quantiles, which are values that occur. The factory returns None where 20 values or fewer
    are known, or fewer than 4 quantiles differ.
    """

    def fit(table: Table) -> Basis | None:
        known = table[column][~np.isnan(table[column])]
        if len(known) <= 20:
            return None
        at = np.unique(np.quantile(known, np.linspace(0, 1, 40), method="nearest"))
        return Ramps(column, tuple(at.tolist())) if len(at) >= 4 else None

    return fit


def _bases(column: Feature) -> list[tuple[str, BasisFactory]]:
    name = column.name
    if column.scale is Scale.LEVEL:
        return [(name, levels(name))]
    lines = [(name, linear(name)), (f"{name} curve", smooth(name, 8, 3))]
    return [*lines, (f"{name} level", levels(f"{name}="))] if column.scale is Scale.GRADE else lines


def _that_matter(
    columns: Sequence[Feature], terms: Sequence[BackboneTerm], table: Table, log_price: Floats
) -> list[Feature]:
    """Return the columns whose effects vary most in a first fit without pairs; fewer if rows are few."""
    encoding = TableEncoding(tuple(columns))
    problem = problem_of(data_of(encoding, table, log_price), Specification(tuple(terms)))
    theta = fit_backbone(problem, first_solution(problem, np.inf), most=_FIRST_STEPS).theta
    totals = {column.name: np.zeros(len(log_price)) for column in columns}
    start = 0
    for block in problem.layout.blocks:
        index, value = product(block.bases, table)
        totals[block.part] += (theta[start + index] * value).sum(axis=1)
        start += block.size
    most = min(_PAIRED, len(log_price) // _ROWS_A_COLUMN)
    varied = sorted(columns, key=lambda column: -float(totals[column.name].var()))[:most]
    return [column for column in columns if column in varied]
