"""Restoration: the possible repairs, the gain in value of each, and the losses that cannot be repaired."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import partial

from models.domain.instrument import Instrument, Subject, Value
from models.domain.money import BASE_CURRENCY
from models.domain.names import nearest
from models.domain.vocabulary import BY_PATH, DEFAULT_LEVELS, PARTS
from models.errors import Fault, InputError
from models.insights.alternatives import Alternative, alternatives
from models.valuation.valuer import Interval, Valuer

# Field → its term now → its terms after a repair. For parts the best possible term is "period": no part that
# is bought later can be the original one.
_REPAIRS: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "condition.electronics": {"partial": ("working",), "dead": ("working",)},
    "condition.structure": {"open_crack": ("repaired_crack",), "broken_headstock": ("repaired_headstock",)},
    "originality.routing": {"open": ("filled",)},
}
_PUT_BACK: Mapping[str, tuple[str, ...]] = dict.fromkeys(("modern", "missing"), ("period",))

# Field → its term → the reason why this loss cannot be restored in full.
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
_WORN = 2.0  # Light wear, the least grade of wear that a buyer sees.


@dataclass(frozen=True)
class Remedy:
    """One possible repair: the field's value now and then, and the `gain` in value, all in money.

    `gain_intervals`: ranges of the gain. `net`: gain − cost. `worth_it`: whether the whole range of the gain,
    at the first level asked for, lies above the cost. `net` and `worth_it` are None without a cost.
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
    """One loss that cannot be restored, and the reason."""

    field: str
    now: Value
    reason: str


@dataclass(frozen=True)
class Restoration:
    """The possible repairs, largest gain first, and the losses that cannot be restored.

    `together`: the instrument after all repairs that are worth their cost; None where none is. The single
    gains do not add up to its gain exactly, because effects depend on each other.
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
    """Value each possible repair, and compare its gain with its cost (field path → money), if given.

    Raises InputError for a cost below 0 or of a field that cannot be repaired, and as `alternatives`.
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


def repaired(it: Instrument, costs: Mapping[str, Decimal]) -> dict[str, str]:
    """Return the state of each field of `costs` (field path → money) after its repair, field path → term.

    Raises InputError for a cost below 0, or of a field that cannot be repaired or needs no repair.
    """
    _check_costs(costs)
    found = {path: _targets(path, it) for path in costs}
    faults = []
    for path, targets in found.items():
        if not targets:
            now, allowed = it.get(BY_PATH[path]), ", ".join(p for p in MENDABLE if _targets(p, it))
            step = "leave it out, or say what is wrong with the part"
            faults.append(Fault(f"costs.{path}", now, "is nothing to put right", allowed, step))
    if faults:
        raise InputError(faults)
    return {path: targets[0] for path, targets in found.items()}


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
        where, given = f"costs.{path}", str(cost)
        if path not in MENDABLE:
            problem, allowed = "is not a part that can be put right", ", ".join(MENDABLE)
            near = partial(nearest, path, MENDABLE)
            faults.append(Fault(where, given, problem, allowed, "leave it out", near, hinted=0))
        elif not (cost.is_finite() and cost >= 0):
            faults.append(Fault(where, given, "is not a cost", "0 or more", "correct it"))
    if faults:
        raise InputError(faults)
