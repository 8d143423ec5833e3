"""Recipes for basis functions of one column. Each fits a basis to a table; None means too little data."""

import math
from collections.abc import Callable

import numpy as np

from models.price.core.basis import Basis, Levels, Linear, Ramps, Table, Unknown, shapes_over, smooth_over
from models.price.instruments.features import ordinal
from models.price.instruments.reference import CLEAN

# Market slopes go on for this many years past the last evidence, but at most for a quarter of its years.
_CARRIED_ON = 1.0
_LASTING = 2.0  # Years over which the correlation of a market's slope with itself falls to 1/e.
# Years between the knots of a market's course, and number of eigenvectors of its covariance that are kept.
_COURSE_KNOTS, _COURSE_SHAPES = 0.25, 16

_SAME_KNOT = 1e-9  # Knots closer than this share of the range are merged.

# A recipe: it fits a basis to a table, or gives None where the table has too little data for it.
BasisFactory = Callable[[Table], Basis | None]


def levels(column: str, unknown: bool = True) -> BasisFactory:
    """Return a recipe of one design column for each level (category). `unknown`: blanks have one, too."""

    def fit(table: Table) -> Basis | None:
        seen = tuple(sorted({str(v) for v in table[column] if v}))
        return Levels(column, seen, unknown) if seen else None

    return fit


def linear(column: str) -> BasisFactory:
    """Return a recipe of one design column, centred and scaled by mean and deviation of the known values."""

    def fit(table: Table) -> Basis | None:
        known = _told(table, column)
        if len(known) < 5 or np.ptp(known) == 0:
            return None
        return Linear(column, float(known.mean()), float(known.std()))

    return fit


# Column that holds the typical value where its field is blank → the column that marks such rows.
_MARKS = {
    "year": "year_blank",
    "year_in_run": "year_blank",
    "weight": "weight_blank",
    "figure": "figure_blank",
    "finish_rarity": "finish_blank",
}


def _told(table: Table, column: str) -> np.ndarray:
    """Return the known values, without the typical values that stand in for blanks and hardly vary."""
    x = table[column]
    mark = table.get(_MARKS.get(column, ""))
    return np.asarray(x[~np.isnan(x) & (mark == 0 if mark is not None else True)])


def raw(column: str, scale: float = 1.0) -> BasisFactory:
    """Return a recipe of the column as it is, divided by `scale` and not centred, so that zero stays zero."""
    return lambda table: Linear(column, 0.0, scale)


def graded(column: str, count: int) -> BasisFactory:
    """Return a recipe of one linear design column for an ordinal scale from 0 (best) to `count`.

    A blank counts as the mean of the known grades, but never as better than the reference instrument's grade,
    or it would add to the value.
    """

    def fit(table: Table) -> Basis | None:
        usual = max(_mean(table[column]), reference_grade(column))
        return Linear(column, 0.0, float(count), usual / count)

    return fit


def graded_steps(column: str, count: int) -> BasisFactory:
    """Return a recipe of one column for each step of a scale from 0 to `count`; blanks as in `graded`."""

    def fit(table: Table) -> Basis | None:
        known = np.nan_to_num(table[column][:, None], nan=0.0)
        done = np.clip(known - np.arange(count), 0.0, 1.0)
        done[np.isnan(table[column])] = np.nan
        at_reference = np.clip(reference_grade(column) - np.arange(count), 0.0, 1.0)
        usual = np.maximum([_mean(step) for step in done.T], at_reference)
        return Ramps(column, tuple(float(k) for k in range(count + 1)), tuple(usual.tolist()))

    return fit


def reference_grade(column: str) -> float:
    """Return the reference (typical clean) instrument's grade in this column, 0 for one without grades."""
    return ordinal(column, CLEAN[column]) if column in CLEAN else 0.0


def _mean(x: np.ndarray) -> float:
    known = x[~np.isnan(x)]
    return float(known.mean()) if len(known) else 0.0


def steps(column: str, count: int) -> BasisFactory:
    """Return a recipe of one design column for each step of an ordinal scale from 0 to `count`."""
    return lambda table: Ramps(column, tuple(float(k) for k in range(count + 1)))


def unknown(column: str) -> BasisFactory:
    """Return a recipe of one design column, 1 where the value is unknown; no basis with fewer than 5 such."""

    def fit(table: Table) -> Basis | None:
        _, missing = Unknown(column).rows(table)
        return Unknown(column) if 5 <= missing.sum() < len(missing) else None

    return fit


def _knots(known: np.ndarray, count: int) -> np.ndarray:
    at = np.unique(np.quantile(known, np.linspace(0, 1, count)))
    # Rounding can set the quantiles of equal values a little apart. No curve can bend between such knots.
    return np.asarray(at[np.diff(at, prepend=-np.inf) > _SAME_KNOT * np.ptp(at)])


def smooth(column: str, knots: int = 12, size: int | None = 8) -> BasisFactory:
    """Return a recipe of a smooth curve with knots at quantiles. `size`: number of design columns at most."""

    def fit(table: Table) -> Basis | None:
        known = _told(table, column)
        at = _knots(known, knots) if len(known) > 20 else np.zeros(0)
        return smooth_over(column, at.tolist(), size) if len(at) >= 5 else None

    return fit


def walk(column: str, spacing: float) -> BasisFactory:
    """Return a recipe of a random walk: increments between knots `spacing` apart, flat after the last."""

    def fit(table: Table) -> Basis | None:
        x = table[column]
        first, last = float(np.nanmin(x)), float(np.nanmax(x))
        count = max(int(np.ceil((last - first) / spacing)), 1)
        if last <= first:
            return None
        return Ramps(column, tuple(np.linspace(last - count * spacing, last, count + 1).tolist()))

    return fit


def trend(column: str) -> BasisFactory:
    """Return a recipe of one straight ramp, from the first evidence to at most a year past the last."""

    def fit(table: Table) -> Basis | None:
        first, last = _time_of(table, column)
        return Ramps(column, (first, last)) if last > first else None

    return fit


def course(column: str, shapes: int = _COURSE_SHAPES) -> BasisFactory:
    """Return a recipe of a market's course whose slope wanders: an integrated Ornstein–Uhlenbeck process.

    After the last evidence its slope fades out. Coefficients of variance 1 give the slope a standard
    deviation of 1 a year.
    """

    def fit(table: Table) -> Basis | None:
        first, last = _time_of(table, column)
        if last <= first:
            return None
        at = np.linspace(first, last, max(math.ceil((last - first) / _COURSE_KNOTS), 8) + 1)
        return shapes_over(column, at.tolist(), _integrated_slopes(at - first), shapes)

    return fit


def _time_of(table: Table, column: str) -> tuple[float, float]:
    """Return the time of the first evidence, and the time after the last up to which slopes go on."""
    first, last = float(np.nanmin(table[column])), float(np.nanmax(table[column]))
    return first, last + min(_CARRIED_ON, (last - first) / 4)


def _integrated_slopes(years: np.ndarray) -> np.ndarray:
    """Return the (k, k) covariance of a course at k `years` since its start; its slope has variance 1."""
    t = years / _LASTING
    earlier, gap = np.minimum(t[:, None], t), np.abs(t[:, None] - t)
    fades = np.exp(-t)
    return np.asarray(_LASTING**2 * (2 * earlier - 1 + fades[:, None] + fades - np.exp(-gap)))
