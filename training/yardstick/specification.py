"""From the kinds of a table's columns to what a core is made of: one rule for every data set."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from models.price.basis import Basis, Ramps, Table
from models.price.core import Input
from training.fit.core import Specification
from training.fit.recipes import Maker, levels, linear, smooth, unknown
from training.fit.spec import Term
from training.yardstick.open_data import Column, Scale

_FEW_LEVELS = 6  # a column with so many levels shows each of them to the trees


def specification_of(columns: Sequence[Column], table: Table) -> Specification:
    """What is a number bends and may jump, what is a level is pooled; together they are kriged.

    Beside that stand their main effects alone, all of one variance: the hedonic regression of a textbook.

    `table`: the rows to fit on; only the names of their levels are read.
    """
    terms, kriged = (*backbone_terms(columns), *jumps_of(columns)), tuple(c.name for c in columns)
    inputs = tuple(_inputs(columns, table))
    return Specification(terms, inputs, {}, kriged=kriged, plain=tuple(plain_terms(columns)))


def backbone_terms(columns: Sequence[Column]) -> list[Term]:
    """Every column alone; unknown is a level of its own."""
    out: list[Term] = []
    for column in columns:
        name = column.name
        if column.scale is Scale.LEVEL:
            out.append(Term(name, (levels(name),)))
            continue
        out.append(Term(name, (linear(name),)))
        out.append(Term(f"{name} curve", (smooth(name),)))
        out.append(Term(f"{name} unknown", (unknown(name),), group="unknown"))
        if column.scale is Scale.GRADE:
            out.append(Term(f"{name} level", (levels(f"{name}="),)))
    return out


def plain_terms(columns: Sequence[Column]) -> list[Term]:
    """Every column alone, numbers by a slope only."""
    return [
        replace(term, group="all") for term in backbone_terms(columns) if not term.name.endswith(" curve")
    ]


def jumps_of(columns: Sequence[Column]) -> list[Term]:
    """A random walk along every number: prices jump at round sizes."""
    numbers = [c.name for c in columns if c.scale in (Scale.NUMBER, Scale.SIZE)]
    return [Term(f"{name} jumps", (rungs(name),)) for name in numbers]


def rungs(column: str, count: int = 40) -> Maker:
    """Increments between neighbouring quantiles that occur."""

    def fit(table: Table) -> Basis | None:
        known = table[column][~np.isnan(table[column])]
        if len(known) <= 20:
            return None
        at = np.unique(np.quantile(known, np.linspace(0, 1, count), method="nearest"))
        return Ramps(column, tuple(at.tolist())) if len(at) >= 4 else None

    return fit


def _inputs(columns: Sequence[Column], table: Table) -> Iterator[Input]:
    """What trees see: numbers, the backbone's effect of every level column, and few levels one by one."""
    for column in columns:
        name = column.name
        if column.scale is not Scale.LEVEL:
            yield Input(name, name)
            continue
        yield Input(f"{name} effect", blocks=(name,))
        seen = sorted({str(v) for v in table[name] if v})
        if 2 < len(seen) <= _FEW_LEVELS:
            for level in seen:
                yield Input(f"{name} {level}", name, {other: float(other == level) for other in seen})
