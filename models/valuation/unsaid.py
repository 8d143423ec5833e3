"""This module finds the fields that a description leaves open, and says which values were taken for them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from models.domain.catalogue import Model
from models.domain.instrument import Instrument, Value, written
from models.domain.vocabulary import BY_PATH


@dataclass(frozen=True)
class Assumption:
    """A field that was not given and was taken to be `value`."""

    field: str
    value: str
    reason: str


_EDITION = Assumption("edition", "standard", "no edition was named: it was valued as the standard model")
_BUILD = Assumption("build", "production", "no build was given: it was valued as an ordinary production one")
# The fields whose blank is counted as the typical instrument has them, or below that.
TYPICAL = ("year", "finish", "edition_number", "figure", "weight_kg")
# Those whose blank is counted as none.
AS_NONE = ("provenance.history", "provenance.paperwork")
# An effect below this shows as 0.0% and is no sign that blanks sell for less.
_FELT = 0.0005


def counted_less(effect: float) -> bool:
    """Say if a blank of this log effect was counted below what the typical instrument has."""
    return effect < -_FELT


def unknown_fields(it: Instrument, model: Model) -> tuple[str, ...]:
    """The fields that are not known and could be, by path.

    A number outside a numbered edition could not be, nor could a figure on a plain top. A finish that the
    catalogue does not have for the model counts as not known. Edition and build are not among them: where
    they are not given, they are reported as assumed.
    """
    edition = model.edition(it.edition)
    moot = {"build", "edition"}
    if it.edition is None or (edition is not None and edition.numbered is False):
        moot.add("edition_number")
    if model.figured_top is False:
        moot.add("figure")
    counted_blank = "finish" if model.lacks_finish(it.finish) else None
    pairs = zip(BY_PATH, it.values(), strict=True)
    return tuple(
        path for path, value in pairs if (value is None and path not in moot) or path == counted_blank
    )


def assumptions(
    it: Instrument, unknown: Sequence[str], reference: Instrument, effects: Mapping[str, float]
) -> tuple[Assumption, ...]:
    """Every field for which one value was taken because none was given, in the vocabulary's order.

    `unknown`: as `unknown_fields` has it. `effects`: path → log effect. Condition, originality and case are
    not among them: where they are left blank, they count a usual loss and no one value.
    """
    return tuple(_assumed(it, unknown, reference, effects))


def _assumed(
    it: Instrument, unknown: Sequence[str], reference: Instrument, effects: Mapping[str, float]
) -> Iterator[Assumption]:
    if it.edition is None:
        yield _EDITION
    if it.build is None:
        yield _BUILD
    for path in unknown:
        taken = reference.get(BY_PATH[path]) if path in TYPICAL or path in AS_NONE else None
        if taken is not None:
            given = it.get(BY_PATH[path]) is not None
            yield _taken(path, taken, given, counted_less(effects.get(path, 0.0)))


@lru_cache(maxsize=4096)
def _taken(path: str, value: Value, given: bool, less: bool) -> Assumption:
    counted = "none" if path in AS_NONE else "the typical instrument of this model has it"
    how = f"it was counted as {counted}"
    if less:
        how += ", and lower, because instruments described without it sell for less"
    why = f"no {BY_PATH[path].label} was given"
    if given:
        why = f"the catalogue does not have the {BY_PATH[path].label} that was given"
    return Assumption(path, "none" if path in AS_NONE else written(value), f"{why}: {how}")
