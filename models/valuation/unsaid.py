"""The fields that a description leaves blank, and the values that were assumed for them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from models.domain.catalogue import Model
from models.domain.instrument import Instrument, Value, written
from models.domain.vocabulary import BY_PATH


@dataclass(frozen=True)
class Assumption:
    """A field that was not given, with the `value` that was assumed and a sentence that says why."""

    field: str
    value: str
    reason: str


_EDITION = Assumption("edition", "standard", "no edition was named: it was valued as the standard model")
_BUILD = Assumption("build", "production", "no build was given: it was valued as an ordinary production one")
# Fields that, left blank, are counted as in the typical instrument, or lower.
TYPICAL = ("year", "finish", "edition_number", "figure", "weight_kg")
# Fields that, left blank, are counted as none.
AS_NONE = ("provenance.history", "provenance.paperwork")
# A smaller log effect prints as 0.0%, too little to say that blanks sell for less.
_FELT = 0.0005


def counted_less(effect: float) -> bool:
    """Say if a blank field with this log effect was counted below the typical instrument's value."""
    return effect < -_FELT


def unknown_fields(it: Instrument, model: Model) -> tuple[str, ...]:
    """List the paths of the fields that are not known although the instrument could have them.

    Left out are the number of an instrument without an edition or of an edition without numbers, the figure
    of a model with plain tops, and edition and build, whose blanks are always assumptions. A finish that the
    catalogue does not have for the model counts as not known.
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
    """List the assumed value of each field that was not given, in the vocabulary's order.

    `unknown`: from `unknown_fields`. `reference`: the typical instrument. `effects`: path → log effect. Blank
    fields of condition, originality and case are left out: they count as a usual loss, not as one value.
    """
    found = [one for one, value in ((_EDITION, it.edition), (_BUILD, it.build)) if value is None]
    for path in unknown:
        taken = reference.get(BY_PATH[path]) if path in TYPICAL or path in AS_NONE else None
        if taken is not None:
            given = it.get(BY_PATH[path]) is not None
            found.append(_taken(path, taken, given, counted_less(effects.get(path, 0.0))))
    return tuple(found)


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
