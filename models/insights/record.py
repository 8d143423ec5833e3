"""The earlier sales and asking prices of this very instrument, and what changed since."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from models.domain.evidence import Evidence
from models.domain.instrument import Instrument, Subject, Value
from models.domain.money import BASE_CURRENCY
from models.domain.vocabulary import FIELDS, Family, Field
from models.price.instruments.features import ordinal
from models.valuation.cautions import BESIDE, Caution
from models.valuation.valuer import Valuer, money_of

# Said of one instrument, these do not change: where they do, one of the two records is wrong.
_FIXED = ("year", "edition", "edition_number", "build", "figure")
# A grade is a judgement: one grade apart is what two careful people differ by (common practice).
_GRADE_APART = 1.0


@dataclass(frozen=True)
class FieldChange:
    """One field that two records of the instrument, both of which know it, say differently.

    `kind`: `loss` (less original or more worn than before), `gain` (better than before) or `contradiction`
    (what cannot change).
    """

    field: str
    label: str
    before: Value
    after: Value
    kind: str


@dataclass(frozen=True)
class Entry:
    """One earlier record, oldest first. `price` as recorded; `changes`: from this record to the next one.

    `implied`: what that price implies for the subject on its day and in its channel, in the valuation's
    currency: the price times the model's value of the subject over its value of what was recorded then.
    """

    id: str
    kind: str
    day: date
    channel: str
    price: Decimal
    currency: str
    implied: Decimal
    changes: tuple[FieldChange, ...]


@dataclass(frozen=True)
class Record:
    """The earlier records of an instrument up to the day of the value, and what to be careful about."""

    entries: tuple[Entry, ...]
    cautions: tuple[Caution, ...]


def record_of(valuer: Valuer, subject: Subject, currency: str = BASE_CURRENCY) -> Record:
    """The record of the subject's instrument, found by maker, model and serial; empty without a serial.

    Raises UnknownNameError, or InputError for a currency without a rate.
    """
    canonical = valuer.canonical(subject)
    rate = valuer.rate(currency, subject.day)
    positions = valuer.snapshot.of_specimen(canonical.instrument)
    found = [e for e in valuer.snapshot.evidence(positions) if e.day <= subject.day]
    if not found:
        return Record((), ())
    following = [*(e.instrument for e in found[1:]), canonical.instrument]
    changes = [changes_between(e.instrument, later) for e, later in zip(found, following, strict=True)]
    implied = _implied(valuer, canonical, found)
    entries = tuple(
        Entry(e.id, e.kind, e.day, e.channel, e.price, e.currency, money_of(log_usd, rate, currency), change)
        for e, log_usd, change in zip(found, implied, changes, strict=True)
    )
    return Record(entries, tuple(_cautions(found, canonical.instrument)))


def _implied(valuer: Valuer, subject: Subject, found: Sequence[Evidence]) -> list[float]:
    """Log US dollars that each record's price implies for the subject."""
    own = float(valuer.model.center([subject])[0])
    then = valuer.model.center([e.subject for e in found]).tolist()
    paid = [math.log(float(e.price) * valuer.rates.usd_per(e.currency, e.day)) for e in found]
    return [p + own - t for p, t in zip(paid, then, strict=True)]


def changes_between(before: Instrument, after: Instrument) -> tuple[FieldChange, ...]:
    """Every field that both know and say differently, in the vocabulary's order."""
    found = (_change(field, before.get(field), after.get(field)) for field in FIELDS)
    return tuple(change for change in found if change is not None)


def _change(field: Field, before: Value, after: Value) -> FieldChange | None:
    if field.path in ("maker", "model", "serial") or before is None or after is None or before == after:
        return None
    kind = "contradiction" if field.path in _FIXED else "gain"
    if field.loss_ordered:
        step = ordinal(field.flat, after) - ordinal(field.flat, before)
        if field.family is Family.CONDITION and field.low is not None and abs(step) <= _GRADE_APART:
            return None
        kind = "loss" if step > 0 else "gain"
    elif kind != "contradiction":
        return None  # weight, finish's name, case and papers: read or lost without meaning anything
    return FieldChange(field.path, field.label, before, after, kind)


def _cautions(found: Sequence[Evidence], it: Instrument) -> list[Caution]:
    cautions = [Caution("earlier_record", BESIDE["earlier_record"], "serial")]
    changes = [change for e in found for change in changes_between(e.instrument, it)]
    for field in dict.fromkeys(change.field for change in changes):
        cautions.append(Caution("changed_since_record", BESIDE["changed_since_record"], field))
    return cautions
