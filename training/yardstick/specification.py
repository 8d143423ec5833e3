"""From the kinds of a table's columns to what a core is made of: one rule for every data set."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np

from models.price.basis import Basis, Ramps, Table
from models.price.core import Input
from training.fit.core import Specification
from training.fit.spec import Maker, Term, levels, linear, smooth, unknown
from training.yardstick.open_data import Column, Scale

_MOST_PAIRED = 12  # with more columns than this their pairs would outnumber the rows
_BENT = "curve by level"
_FEW_LEVELS = 6  # a column with so many levels shows each of them to the trees


def specifications_of(columns: Sequence[Column], table: Table) -> Iterator[Specification]:
    """From plain to rich: columns alone, pairs of them, pairs that bend.

    What is a number bends and may jump, what is a level is pooled. `table`: the rows to fit on; only the
    names of their levels are read.
    """
    terms = [*backbone_terms(columns), *jumps_of(columns)]
    inputs = tuple(_inputs(columns, table))
    yield Specification(tuple(terms), inputs, {})
    if len(columns) > _MOST_PAIRED:
        return
    pairs = pair_terms(columns)
    yield Specification((*terms, *(t for t in pairs if t.group != _BENT)), inputs, {})
    yield Specification((*terms, *pairs), inputs, {})


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


def pair_terms(columns: Sequence[Column]) -> list[Term]:
    """Every two columns together. Pairs of one nature share a prior: each on its own would fit its noise."""
    return [term for one, other in combinations(columns, 2) for term in _pair(one, other)]


def _pair(one: Column, other: Column) -> Iterator[Term]:
    a, b = one.name, other.name
    if Scale.LEVEL not in (one.scale, other.scale):
        yield Term(f"{a} by {b}", (linear(a), linear(b)), group="number by number")
    for p, q in ((one, other), (other, one)):
        if p.scale in (Scale.LEVEL, Scale.GRADE) and q.scale is not Scale.LEVEL:
            name, by = q.name, levels(_level_column(p))
            yield Term(f"{name} by {p.name} level", (by, linear(name)), group="number by level")
            curve = Term(f"{name} curve by {p.name} level", (by, smooth(name, 10, 6)))
            yield replace(curve, group=_BENT)
    if {one.scale, other.scale} <= {Scale.LEVEL, Scale.GRADE}:
        both = (levels(_level_column(one)), levels(_level_column(other)))
        yield Term(f"{a} level by {b} level", both, group="level by level")


def _level_column(column: Column) -> str:
    return f"{column.name}=" if column.scale is Scale.GRADE else column.name


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
