"""The repairs that an instrument can have, what each adds to its value, and what cannot be restored."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from models.domain.instrument import Instrument, Subject, Value
from models.domain.money import BASE_CURRENCY
from models.domain.names import nearest
from models.domain.vocabulary import BY_PATH, DEFAULT_LEVELS, PARTS
from models.errors import Fault, InputError
from models.insights.alternatives import Alternative, alternatives
from models.valuation.valuer import Interval, Valuer

# What a repair turns a state into. Original is the part that it left the maker with: no part that is bought
# for it can become that, so a part that was replaced or is missing can at best be right for the period.
_REPAIRS: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "condition.electronics": {"partial": ("working",), "dead": ("working",)},
    "condition.structure": {"open_crack": ("repaired_crack",), "broken_headstock": ("repaired_headstock",)},
    "originality.routing": {"open": ("filled",)},
}
_PUT_BACK: Mapping[str, tuple[str, ...]] = {
    "modern": ("period",),
    "missing": ("period",),
}

# What stays as it is whatever is spent, and why.
LASTING: Mapping[str, Mapping[str, str]] = {
    "originality.finish": {
        "oversprayed": "the maker's finish lies under later lacquer; nobody can promise it back",
        "refinished": "the maker's finish is gone; finishing it again does not bring it back",
    },
    "originality.frets": {"refretted": "the maker's frets are gone; new frets are another refret"},
    "originality.routing": {
        "filled": "wood that was cut away is not made whole by filling",
        "open": "wood that was cut away is not made whole by filling; it only looks better",
    },
    "condition.structure": {
        "repaired_headstock": "a break stays a break, however well repaired",
        "broken_headstock": "it can be repaired, but a break stays a break",
        "repaired_crack": "a crack stays a crack, however well repaired",
        "open_crack": "it can be closed, but a crack stays a crack",
    },
}
_WORN_FINISH = "wear of the finish cannot be put right: finishing it again costs far more value than the wear"
FINISH_WEAR = ("condition.top", "condition.back", "condition.neck", "condition.headstock")
_WORN = 2.0  # light wear: from here on a buyer sees it


@dataclass(frozen=True)
class Remedy:
    """One thing that can be put right: `gain` in money, with its paired ranges, against a `cost` if given.

    `worth_it`: whether all of the gain's range at the first level asked lies above the cost; None without.
    """

    field: str
    now: Value
    then: Value
    gain: Decimal
    gain_intervals: tuple[Interval, ...]
    cost: Decimal | None
    net: Decimal | None
    worth_it: bool | None


@dataclass(frozen=True)
class Lasting:
    """One thing that cannot be put right, and why."""

    field: str
    now: Value
    reason: str


@dataclass(frozen=True)
class Restoration:
    """The remedies, dearest first, and the losses that cannot be restored.

    `together`: all remedies that are worth their cost done at once, the best for each field; None where
    there is none. Gains of parts do not add up to it exactly: effects depend on each other.
    """

    remedies: tuple[Remedy, ...]
    lasting: tuple[Lasting, ...]
    together: Alternative | None


def restoration(
    valuer: Valuer,
    subject: Subject,
    costs: Mapping[str, Decimal],
    currency: str = BASE_CURRENCY,
    levels: Sequence[float] = DEFAULT_LEVELS,
) -> Restoration:
    """Value each repair of a changed or broken part, against `costs` (field path → money).

    Raises InputError for a cost of a field that nothing can be put right in, or below 0.
    """
    it = subject.instrument
    _check_costs(costs)
    changes = [{path: then} for path in MENDABLE for then in _targets(path, it)]
    found = alternatives(valuer, subject, changes, currency, levels)
    remedies = [_remedy(it, a, costs) for a in found]
    remedies.sort(key=lambda r: (-r.gain, r.field))
    best: dict[str, Value] = {}
    for remedy in remedies:
        if remedy.worth_it:
            best.setdefault(remedy.field, remedy.then)
    together = alternatives(valuer, subject, [best], currency, levels)[0] if best else None
    return Restoration(tuple(remedies), _lasting(it), together)


MENDABLE = (*_REPAIRS, *(part.path for part in PARTS))


def _targets(path: str, it: Instrument) -> tuple[str, ...]:
    table = _REPAIRS.get(path, _PUT_BACK)
    return table.get(str(it.get(BY_PATH[path])), ())


def _remedy(it: Instrument, found: Alternative, costs: Mapping[str, Decimal]) -> Remedy:
    ((path, then),) = found.changes.items()
    cost = costs.get(path)
    return Remedy(
        field=path,
        now=it.get(BY_PATH[path]),
        then=then,
        gain=found.difference,
        gain_intervals=found.difference_intervals,
        cost=cost,
        net=None if cost is None else found.difference - cost,
        worth_it=None if cost is None else found.difference_intervals[0].low > cost,
    )


def _lasting(it: Instrument) -> tuple[Lasting, ...]:
    found = []
    for path, reasons in LASTING.items():
        now = it.get(BY_PATH[path])
        if now in reasons:
            found.append(Lasting(path, now, reasons[str(now)]))
    for path in FINISH_WEAR:
        wear = it.get(BY_PATH[path])
        if isinstance(wear, int | float) and wear >= _WORN:
            found.append(Lasting(path, wear, _WORN_FINISH))
    return tuple(found)


def _check_costs(costs: Mapping[str, Decimal]) -> None:
    faults = []
    for path, cost in costs.items():
        if path not in MENDABLE:
            close = nearest(path, MENDABLE)
            faults.append(
                Fault(
                    f"costs.{path}",
                    str(cost),
                    "is not a part that can be put right",
                    ", ".join(MENDABLE),
                    "leave it out",
                    close,
                )
            )
        elif not (cost.is_finite() and cost >= 0):
            faults.append(Fault(f"costs.{path}", str(cost), "is not a cost", "0 or more", "correct it"))
    if faults:
        raise InputError(faults)
