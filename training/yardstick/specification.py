"""Specify the core of an open table by the kinds of its columns: one rule for every data set."""

from __future__ import annotations

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

_PAIRED, _ROWS_A_COLUMN = 8, 60  # the most columns of which every two are fitted together; rows for each
_FIRST_STEPS = 6  # enough to say which columns matter

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
    """Specify a core: smooth curves and jumps for numbers, pooled effects for levels, pairs of what matters.

    The columns whose effects vary most are fitted in pairs too. Beside the backbone, trees predict the whole
    price, from the numbers themselves and from the fitted effect of each level.
    """
    alone = (*backbone_terms(columns), *jumps_of(columns))
    together = pair_terms(_that_matter(columns, alone, table, log_price))
    inputs = tuple(
        Input(c.name, PART if c.scale is Scale.LEVEL else COLUMN, () if c.scale is Scale.LEVEL else (c.name,))
        for c in columns
    )
    return Specification((*alone, *together), inputs, _TREES, relearn=True)


def data_of(encoding: TableEncoding, table: Table, log_price: Floats) -> Data:
    """Rows of an open table for a fit: closed sales, each of a thing of its own."""
    sales = [SALE] * len(log_price)
    return Data(table, encoding.rows(table), log_price, sales, sales, [str(row) for row in range(len(sales))])


def backbone_terms(columns: Sequence[Feature]) -> list[BackboneTerm]:
    """Every column alone; unknown is a level of its own."""
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
    """A random walk along every number: prices jump at round sizes."""
    numbers = [c.name for c in columns if c.scale in (Scale.NUMBER, Scale.SIZE)]
    return [BackboneTerm(f"{name} jumps", (rungs(name),), part=name) for name in numbers]


def pair_terms(columns: Sequence[Feature]) -> list[BackboneTerm]:
    """The terms of every two of these columns together: each product of two bases has its own variance."""
    return [
        BackboneTerm(f"{one} × {other}", (of_one, of_other))
        for first, second in combinations(columns, 2)
        for one, of_one in _bases(first)
        for other, of_other in _bases(second)
    ]


def rungs(column: str, count: int = 40) -> BasisFactory:
    """Increments between neighbouring quantiles that occur."""

    def fit(table: Table) -> Basis | None:
        known = table[column][~np.isnan(table[column])]
        if len(known) <= 20:
            return None
        at = np.unique(np.quantile(known, np.linspace(0, 1, count), method="nearest"))
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
    """The columns whose effects vary most by a first fit of each alone; fewer where rows are few."""
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
