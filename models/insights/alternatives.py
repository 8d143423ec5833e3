"""Alternatives: values of the same instrument with some fields changed, and ranges of the differences."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from statistics import NormalDist

from models.costs import MOST_ALTERNATIVES
from models.domain.instrument import Instrument, Subject, Value, unknown_field
from models.domain.money import BASE_CURRENCY
from models.domain.parsing import parse_json
from models.domain.vocabulary import BY_PATH, DEFAULT_LEVELS
from models.errors import Fault, InputError
from models.valuation.valuer import Interval, Valuer, money_of

FIXED = ("maker", "model")


@dataclass(frozen=True)
class Alternative:
    """An instrument with some fields changed, compared with the unchanged instrument.

    `changes`: field path → new value, None for not known. `difference`: the changed instrument's value minus
    the unchanged one's, in money; `effect`: the same in log. `difference_intervals`: ranges of `difference`.
    Uncertainty that both values share cancels in them, so they show how sure the effect of the changes is.
    """

    changes: Mapping[str, Value]
    instrument: Instrument
    value: Decimal
    intervals: tuple[Interval, ...]
    effect: float
    difference: Decimal
    difference_intervals: tuple[Interval, ...]


def alternatives(
    valuer: Valuer,
    subject: Subject,
    changes: Sequence[Mapping[str, object]],
    currency: str = BASE_CURRENCY,
    levels: Sequence[float] = DEFAULT_LEVELS,
) -> tuple[Alternative, ...]:
    """Value one alternative for each set of changes, in order.

    A set of changes is field path → JSON value, null for not known. Raises InputError for a field that does
    not exist or cannot be changed, a value that the field does not allow, too many sets, or a currency
    without a rate; UnknownNameError for a maker or model that the catalogue does not have.
    """
    rate = valuer.rate(currency, subject.day)
    base = valuer.canonical(subject)
    read = _read_all(changes)
    if not read:
        return ()
    others = [valuer.canonical(base.but(**{BY_PATH[p].flat: v for p, v in c.items()})) for c in read]
    found = valuer.model.estimate([base, *others], levels)
    center, low, high = found.center, found.low, found.high
    apart = valuer.model.difference_sd(others, [base])
    was = float(center[0])
    return tuple(
        Alternative(
            changes=change,
            instrument=other.instrument,
            value=money_of(float(center[row]), rate, currency),
            intervals=tuple(
                Interval(level, money_of(low[row, k], rate, currency), money_of(high[row, k], rate, currency))
                for k, level in enumerate(levels)
            ),
            effect=float(center[row]) - was,
            difference=money_of(float(center[row]), rate, currency) - money_of(was, rate, currency),
            difference_intervals=_paired(was, float(center[row]), sd, rate, currency, levels),
        )
        for row, (change, other, sd) in enumerate(zip(read, others, apart.tolist(), strict=True), 1)
    )


def _paired(
    was: float, now: float, sd: float, rate: float, currency: str, levels: Sequence[float]
) -> tuple[Interval, ...]:
    """Return ranges of the difference in money, taking its distribution in log as normal."""
    base, out = money_of(was, rate, currency), []
    for level in levels:
        z = NormalDist().inv_cdf((1 + level) / 2)
        ends = (money_of(now + sign * z * sd, rate, currency) - base for sign in (-1, 1))
        out.append(Interval(level, *ends))
    return tuple(out)


def _read_all(changes: Sequence[Mapping[str, object]]) -> list[dict[str, Value]]:
    if len(changes) > MOST_ALTERNATIVES:
        allowed = f"at most {MOST_ALTERNATIVES} at once"
        fault = Fault("alternatives", len(changes), "are too many", allowed, "ask for them in parts")
        raise InputError([fault])
    faults: list[Fault] = []
    found = []
    for change in changes:
        try:
            found.append(read_change(change))
        except InputError as error:
            faults.extend(error.faults)
    if faults:
        raise InputError(faults)
    return found


def read_change(change: Mapping[str, object]) -> dict[str, Value]:
    """Read one set of changes, field path → JSON value, as path → field value. Raises InputError."""
    faults: list[Fault] = []
    out: dict[str, Value] = {}
    for path, value in change.items():
        field = BY_PATH.get(path)
        if field is None:
            faults.append(unknown_field(path, value))
        elif path in FIXED:
            step = "value the other instrument by itself"
            faults.append(Fault(path, value, "cannot be changed: it would be another instrument", "", step))
        else:
            try:
                out[path] = parse_json(field, value)
            except InputError as error:
                faults.extend(error.faults)
    if not change:
        faults.append(Fault("changes", change, "holds no change", "at least one field", "name a field"))
    if faults:
        raise InputError(faults)
    return out
