"""Recipes of bases: each looks at the data and gives a basis fitted to it, None where it cannot carry one."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from models.price.core.basis import Basis, Levels, Linear, Ramps, Table, Unknown, shapes_over, smooth_over
from models.price.instruments.features import ordinal
from models.price.instruments.reference import CLEAN

_CARRIED_ON = 1.0  # years that slopes go on past the last evidence; a quarter of the years there are, if less
_LASTING = 2.0  # years over which a market's slope is forgotten
_COURSE_KNOTS, _COURSE_SHAPES = 0.25, 16  # years between the knots of a course; its largest shapes are enough

_SAME_KNOT = 1e-9  # of the range: knots nearer than that are one

BasisFactory = Callable[
    [Table], Basis | None
]  # a basis fitted to the data, None where the data cannot carry it


def levels(column: str, unknown: bool = True) -> BasisFactory:
    """One column per level seen."""

    def fit(table: Table) -> Basis | None:
        seen = tuple(sorted({str(v) for v in table[column] if v}))
        return Levels(column, seen, unknown) if seen else None

    return fit


def linear(column: str) -> BasisFactory:
    """Centred and scaled by what is known."""

    def fit(table: Table) -> Basis | None:
        known = _told(table, column)
        if len(known) < 5 or np.ptp(known) == 0:
            return None
        return Linear(column, float(known.mean()), float(known.std()))

    return fit


# Columns that have the typical value where the field is blank, and what marks that.
_MARKS = {
    "year": "year_blank",
    "year_in_run": "year_blank",
    "weight": "weight_blank",
    "figure": "figure_blank",
    "finish_rarity": "finish_blank",
}


def _told(table: Table, column: str) -> np.ndarray:
    """The known values, without those that only stand in for a blank: they hardly vary, and say nothing."""
    x = table[column]
    mark = table.get(_MARKS.get(column, ""))
    return np.asarray(x[~np.isnan(x) & (mark == 0 if mark is not None else True)])


def raw(column: str, scale: float = 1.0) -> BasisFactory:
    """The column as it is, over `scale`: zero stays zero."""
    return lambda table: Linear(column, 0.0, scale)


def graded(column: str, count: int) -> BasisFactory:
    """The whole scale from 0 to `count` as one; a blank counts as the mean of the known ones.

    A blank never counts as better than the reference instrument, or it would add to the value.
    """

    def fit(table: Table) -> Basis | None:
        usual = max(_mean(table[column]), reference_grade(column))
        return Linear(column, 0.0, float(count), usual / count)

    return fit


def graded_steps(column: str, count: int) -> BasisFactory:
    """The steps of an ordinal scale from 0 to `count`; a blank as in `graded`."""

    def fit(table: Table) -> Basis | None:
        known = np.nan_to_num(table[column][:, None], nan=0.0)
        done = np.clip(known - np.arange(count), 0.0, 1.0)
        done[np.isnan(table[column])] = np.nan
        at_reference = np.clip(reference_grade(column) - np.arange(count), 0.0, 1.0)
        usual = np.maximum([_mean(step) for step in done.T], at_reference)
        return Ramps(column, tuple(float(k) for k in range(count + 1)), tuple(usual.tolist()))

    return fit


def reference_grade(column: str) -> float:
    """The reference instrument's position on the scale of this column, 0 for one without a scale."""
    return ordinal(column, CLEAN[column]) if column in CLEAN else 0.0


def _mean(x: np.ndarray) -> float:
    known = x[~np.isnan(x)]
    return float(known.mean()) if len(known) else 0.0


def steps(column: str, count: int) -> BasisFactory:
    """The steps of an ordinal scale from 0 to `count`."""
    return lambda table: Ramps(column, tuple(float(k) for k in range(count + 1)))


def unknown(column: str) -> BasisFactory:
    """1 where unknown, if it ever is."""

    def fit(table: Table) -> Basis | None:
        _, missing = Unknown(column).rows(table)
        return Unknown(column) if 5 <= missing.sum() < len(missing) else None

    return fit


def _knots(known: np.ndarray, count: int) -> np.ndarray:
    at = np.unique(np.quantile(known, np.linspace(0, 1, count)))
    # Interpolation between equal values may miss them by a rounding: nothing bends between such knots.
    return np.asarray(at[np.diff(at, prepend=-np.inf) > _SAME_KNOT * np.ptp(at)])


def smooth(column: str, knots: int = 12, size: int | None = 8) -> BasisFactory:
    """A curve on quantile knots."""

    def fit(table: Table) -> Basis | None:
        known = _told(table, column)
        at = _knots(known, knots) if len(known) > 20 else np.zeros(0)
        return smooth_over(column, at.tolist(), size) if len(at) >= 5 else None

    return fit


def walk(column: str, spacing: float) -> BasisFactory:
    """Increments on equal knots from first to last, held flat after the last."""

    def fit(table: Table) -> Basis | None:
        x = table[column]
        first, last = float(np.nanmin(x)), float(np.nanmax(x))
        count = max(int(np.ceil((last - first) / spacing)), 1)
        if last <= first:
            return None
        return Ramps(column, tuple(np.linspace(last - count * spacing, last, count + 1).tolist()))

    return fit


def trend(column: str) -> BasisFactory:
    """One ramp from the first evidence to a year past the last."""

    def fit(table: Table) -> Basis | None:
        first, last = _time_of(table, column)
        return Ramps(column, (first, last)) if last > first else None

    return fit


def course(column: str, shapes: int = _COURSE_SHAPES) -> BasisFactory:
    """A course whose slope wanders and is forgotten over years: an integrated Ornstein–Uhlenbeck process.

    The slope that it has at the last evidence fades past it, with its standard error. A coefficient of
    variance 1 is a slope of one a year.
    """

    def fit(table: Table) -> Basis | None:
        first, last = _time_of(table, column)
        if last <= first:
            return None
        at = np.linspace(first, last, max(math.ceil((last - first) / _COURSE_KNOTS), 8) + 1)
        return shapes_over(column, at.tolist(), _integrated_slopes(at - first), shapes)

    return fit


def _time_of(table: Table, column: str) -> tuple[float, float]:
    """The first evidence, and as far past the last as slopes are carried on."""
    first, last = float(np.nanmin(table[column])), float(np.nanmax(table[column]))
    return first, last + min(_CARRIED_ON, (last - first) / 4)


def _integrated_slopes(years: np.ndarray) -> np.ndarray:
    """(k, k) covariance of ∫₀ᵗ of slopes of variance 1, whose correlation falls as exp(−gap / _LASTING)."""
    t = years / _LASTING
    earlier, gap = np.minimum(t[:, None], t), np.abs(t[:, None] - t)
    fades = np.exp(-t)
    return np.asarray(_LASTING**2 * (2 * earlier - 1 + fades[:, None] + fades - np.exp(-gap)))
