"""What the backbone of an instrument is made of, said once; open data sets say theirs in the same words."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.price.backbone import BLANK, LEVEL, Block
from models.price.basis import Basis, Levels, Linear, Ramps, Table, Unknown, shapes_over, smooth_over
from models.price.features import BLANKS, CONDITION_LOSSES, ORIGINALITY_LOSSES, STEPS_OF, ordinal
from models.price.reference import CLEAN

_CARRIED_ON = 1.0  # years that slopes go on past the last evidence; a quarter of the years there are, if less
_LASTING = 2.0  # years over which a market's slope is forgotten
_COURSE_KNOTS, _COURSE_SHAPES = 0.25, 16  # years between the knots of a course; its largest shapes are enough

_SAME_KNOT = 1e-9  # of the range: knots nearer than that are one

Maker = Callable[[Table], Basis | None]  # a basis fitted to the data, None where the data cannot carry it


@dataclass(frozen=True)
class Term:
    """One block to be: the product of bases over these columns, by these recipes.

    `part`: the part of the value that the block belongs to, of which the trees see the total; "" for none.
    """

    name: str
    recipes: tuple[Maker, ...]
    role: str = LEVEL
    group: str = ""
    pooled: bool = True
    part: str = ""

    def fitted(self, table: Table) -> Block | None:
        """The block on this data, or None where one of its columns says nothing here."""
        bases = [recipe(table) for recipe in self.recipes]
        if any(basis is None for basis in bases):
            return None
        found = tuple(basis for basis in bases if basis is not None)
        return Block(self.name, found, self.role, self.group or self.name, self.pooled, self.part)


def levels(column: str, unknown: bool = True) -> Maker:
    """One column per level seen."""

    def fit(table: Table) -> Basis | None:
        seen = tuple(sorted({str(v) for v in table[column] if v}))
        return Levels(column, seen, unknown) if seen else None

    return fit


def linear(column: str) -> Maker:
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


def raw(column: str, scale: float = 1.0) -> Maker:
    """As it is, over `scale`: zero stays zero."""
    return lambda table: Linear(column, 0.0, scale)


def graded(column: str, count: int) -> Maker:
    """The whole scale from 0 to `count` as one; a blank counts as the mean of the known ones.

    A blank never counts as better than the reference instrument, or it would add to the value.
    """

    def fit(table: Table) -> Basis | None:
        usual = max(_mean(table[column]), reference_grade(column))
        return Linear(column, 0.0, float(count), usual / count)

    return fit


def graded_steps(column: str, count: int) -> Maker:
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
    """The place on its scale that the reference instrument has in this column, 0 for one without a scale."""
    return ordinal(column, CLEAN[column]) if column in CLEAN else 0.0


def _mean(x: np.ndarray) -> float:
    known = x[~np.isnan(x)]
    return float(known.mean()) if len(known) else 0.0


def steps(column: str, count: int) -> Maker:
    """The steps of an ordinal scale from 0 to `count`."""
    return lambda table: Ramps(column, tuple(float(k) for k in range(count + 1)))


def unknown(column: str) -> Maker:
    """1 where unknown, if it ever is."""

    def fit(table: Table) -> Basis | None:
        x = table[column]
        missing = np.isnan(x) if x.dtype.kind == "f" else x == ""
        return Unknown(column) if 5 <= missing.sum() < len(x) else None

    return fit


def _knots(known: np.ndarray, count: int) -> np.ndarray:
    at = np.unique(np.quantile(known, np.linspace(0, 1, count)))
    # Interpolation between equal values may miss them by a rounding: nothing bends between such knots.
    return np.asarray(at[np.diff(at, prepend=-np.inf) > _SAME_KNOT * np.ptp(at)])


def smooth(column: str, knots: int = 12, size: int | None = 8) -> Maker:
    """A curve on quantile knots."""

    def fit(table: Table) -> Basis | None:
        known = _told(table, column)
        at = _knots(known, knots) if len(known) > 20 else np.zeros(0)
        return smooth_over(column, at.tolist(), size) if len(at) >= 5 else None

    return fit


def walk(column: str, spacing: float) -> Maker:
    """Increments on equal knots from first to last, held flat after the last."""

    def fit(table: Table) -> Basis | None:
        x = table[column]
        first, last = float(np.nanmin(x)), float(np.nanmax(x))
        count = max(int(np.ceil((last - first) / spacing)), 1)
        if last <= first:
            return None
        return Ramps(column, tuple(np.linspace(last - count * spacing, last, count + 1).tolist()))

    return fit


def trend(column: str) -> Maker:
    """One ramp from the first evidence to a year past the last."""

    def fit(table: Table) -> Basis | None:
        first, last = _time_of(table, column)
        return Ramps(column, (first, last)) if last > first else None

    return fit


def course(column: str, shapes: int = _COURSE_SHAPES) -> Maker:
    """A course whose slope wanders and is forgotten over years: an integrated Ornstein–Uhlenbeck process.

    The slope that it has at the last evidence fades past it, with the doubt that it has. A coefficient of
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


def _losses(family: str, fields: Sequence[str]) -> Iterable[Term]:
    role = f"loss:{family}"
    for field in fields:
        count, part = STEPS_OF[field], loss_part(field)
        kind = "grade" if count == 5 else "part" if field.split("_")[1] in _PARTS else field
        yield Term(f"{field} slope", (graded(field, count),), role, f"slope {kind}", part=part)
        yield Term(f"{field} steps", (graded_steps(field, count),), role, f"steps {kind}", part=part)
        # A blank is the usual loss and more: faults are left unsaid more often than good news.
        yield Term(f"{field} unknown", (unknown(field),), role, f"unknown {family}", part=part)


_PARTS = ("pickups", "wiring", "tuners", "bridge", "tailpiece", "nut", "pickguard")


def loss_part(field: str) -> str:
    """The part of the value that a loss belongs to: a refinish works on others unlike changed parts do."""
    if field in CONDITION_LOSSES:
        return "condition"
    return "refinish" if field == "originality_finish" else "changed parts"


def instrument_terms() -> tuple[Term, ...]:
    """The backbone of a collectible guitar's log price."""
    losses = [*_losses("condition", CONDITION_LOSSES), *_losses("originality", ORIGINALITY_LOSSES)]
    return (*_level_terms(), *_blanks(), *losses, *_scales())


def _level_terms() -> Iterable[Term]:
    parts = {
        "identity": _identity(),
        "edition": _edition(),
        "finish": _finish(),
        "build": _build(),
        "figure": _figure(),
        "provenance": [Term(name, (levels(name),)) for name in ("history", "paperwork", "case")],
        "market": _market(),
        "channel": [
            Term("channel", (levels("channel"),)),
            Term("channel by maker", (levels("channel"), levels("maker"))),
        ],
    }
    return (replace(term, part=part) for part, terms in parts.items() for term in terms)


def _identity() -> list[Term]:
    return [
        Term("maker", (levels("maker"),)),
        Term("model", (levels("model"),)),
        Term("year", (linear("year"),)),
        Term("year curve", (smooth("year"),)),
        Term("run", (linear("year_in_run"),)),
        Term("run curve", (smooth("year_in_run", 8, 5),)),
        Term("run by model", (levels("model"), linear("year_in_run"))),
        Term("run curve by model", (levels("model"), smooth("year_in_run", 8, 3))),
        Term("weight", (linear("weight"),)),
        Term("weight curve", (smooth("weight", 8, 4),)),
        Term("weight by model", (levels("model"), linear("weight"))),
    ]


def _edition() -> list[Term]:
    return [
        Term("edition", (levels("edition"),)),
        Term("special", (levels("special"),)),
        Term("log_total", (linear("log_total"),)),
        Term("number", (linear("log_number"),)),
        Term("number curve", (smooth("log_number", 8, 5),)),
        Term("place", (linear("place"),)),
        Term("place curve", (smooth("place", 8, 4),)),
        Term("place by edition", (levels("edition"), linear("place"))),
        Term("number by edition", (levels("edition"), linear("log_number"))),
    ]


def _finish() -> list[Term]:
    return [
        Term("finish_rarity", (linear("finish_rarity"),)),
        Term("finish_rarity curve", (smooth("finish_rarity", 8, 4),)),
        Term("finish", (levels("finish"),)),
        Term("maker finish", (levels("maker_finish", unknown=False),)),
        Term("model finish", (levels("model_finish", unknown=False),)),
    ]


def _build() -> list[Term]:
    return [
        Term("build", (levels("build"),)),
        Term("build by model", (levels("build"), levels("model"))),
        Term("build by edition", (levels("build"), levels("special"))),
    ]


def _figure() -> list[Term]:
    return [
        Term("figure", (linear("figure"),)),
        Term("figure steps", (steps("figure", 5),)),
        Term("figure by model", (levels("model"), linear("figure"))),
    ]


def _blanks() -> list[Term]:
    """How much less those who leave a field blank are paid than the reference instrument; see `BLANK`."""
    # Coefficients of losses and blanks are not negative, so a blank takes its own off.
    return [Term(name, (raw(name, -1.0),), BLANK, "blank") for name in ("number_unknown", *BLANKS)]


def _market() -> list[Term]:
    return [
        Term("index", (walk("time", 0.25),)),
        # A market that rises or falls steadily goes on for a while: its slopes are carried on for a year past
        # the last evidence, with the doubt that they have, and then held.
        Term("drift", (trend("time"),), pooled=False),
        Term("course", (course("time"),)),
        Term("drift by maker", (levels("maker"), trend("time"))),
        Term("drift by model", (levels("model"), trend("time"))),
        Term("walk by maker", (levels("maker"), walk("time", 1.0))),
    ]


def _scales() -> list[Term]:
    return [
        Term(f"{family} by {column}", (levels(column),), f"scale:{family}")
        for family in ("condition", "originality")
        for column in ("build", "maker", "model")
    ]
