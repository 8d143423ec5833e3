"""The earlier records of one instrument in the evidence, and the changes of its fields between them."""

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
from models.valuation.caution_texts import BESIDE, Caution
from models.valuation.valuer import Valuer, money_of

# Fields that cannot change on one instrument: if two records differ in them, one record is wrong.
_FIXED = ("year", "edition", "edition_number", "build", "figure")
# Careful people can differ by one grade of wear (common practice), so such a difference is no change.
_GRADE_APART = 1.0


@dataclass(frozen=True)
class FieldChange:
    """A field that is known in two records of one instrument and differs between them.

    `kind`: `loss` (less original or more worn than before), `gain` (better than before) or `contradiction`
    (the field cannot change).
    """

    field: str
    label: str
    before: Value
    after: Value
    kind: str


@dataclass(frozen=True)
class Entry:
    """One earlier record of the instrument.

    `price`: as recorded, in `currency`. `changes`: differences from this record to the next one, or from the
    last record to the subject. `implied`: the subject's price that follows from this record's price, in the
    valuation's currency: price × value of the subject / value of the instrument as recorded then.
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
    """The earlier records of an instrument up to the day of the value, oldest first, with cautions."""

    entries: tuple[Entry, ...]
    cautions: tuple[Caution, ...]


def record_of(valuer: Valuer, subject: Subject, currency: str = BASE_CURRENCY) -> Record:
    """Find the earlier records of the subject's instrument by maker, model and serial; none without a serial.

    `currency`: of the implied prices. Raises UnknownNameError, or InputError for a currency without a rate.
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
    """Return the log price, in US dollars, that each record's price implies for the subject."""
    own = float(valuer.model.center([subject])[0])
    then = valuer.model.center([e.subject for e in found]).tolist()
    paid = [math.log(e.usd(valuer.rates)) for e in found]
    return [p + own - t for p, t in zip(paid, then, strict=True)]


def changes_between(before: Instrument, after: Instrument) -> tuple[FieldChange, ...]:
    """List the changes of fields that are known in both descriptions, in the vocabulary's order."""
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
        return None  # Weight, name of the finish, case and papers can differ without a change to report.
    return FieldChange(field.path, field.label, before, after, kind)


def _cautions(found: Sequence[Evidence], it: Instrument) -> list[Caution]:
    cautions = [Caution("earlier_record", BESIDE["earlier_record"], "serial")]
    changes = [change for e in found for change in changes_between(e.instrument, it)]
    for field in dict.fromkeys(change.field for change in changes):
        cautions.append(Caution("changed_since_record", BESIDE["changed_since_record"], field))
    return cautions
