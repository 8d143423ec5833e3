"""Choose the comparable sales of a subject, adjust their prices to it, and reconcile them to one figure."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from models.domain.evidence import Evidence
from models.domain.evidence_snapshot import EvidenceSnapshot, specimen_digest
from models.domain.instrument import Instrument, Subject
from models.domain.money import BASE_CURRENCY, quantum, round_money
from models.insights.comparables.grid import Step, adjust, reconcile, shares_of, weights
from models.insights.comparables.kinds import Comparable, Comparables
from models.insights.comparables.nearness import nearest
from models.price.core.basis import Floats
from models.price.instruments.features import edition_key
from models.price.interface import FACTORS
from models.valuation.caution_texts import BESIDE, Caution
from models.valuation.valuer import Valuer, money_of

_LOOKED_AT = 60  # Most sales of the subject's model that the price model compares with the subject.
_LISTED = 20  # Most asking prices and offers that the price model compares with the subject.
# Degrees of freedom of Student's t, by which prices scatter around values (a usual choice for robust fits): a
# sale further from its own value gets a larger standard error.
_TAILS = 4.0
_SLIP = 4.0  # A sale more standard deviations than this from its own value is set aside as a mistake.
_HALF = 0.5  # Level of the range outside which the reconciled figure gets a caution.
_MARKET = ("day", "channel")

Positions = NDArray[np.int64]


@dataclass(frozen=True)
class _Candidate:
    record: Evidence
    specimen: int
    standard_error: float


def comparables(
    valuer: Valuer,
    subject: Subject,
    currency: str = BASE_CURRENCY,
    count: int = 6,
    beside: int = 3,
) -> Comparables:
    """Return the `count` best comparable sales of a subject, and the `beside` best asking prices and offers.

    Sales of the same edition and build are chosen first, then sales whose adjusted price is least uncertain:
    the adjustments are well known, the instrument is well described, prices scatter little, and the price is
    near its own value. Records after the subject's day are not used. Money is in `currency`.
    Raises UnknownNameError, or InputError for a currency without a rate.
    """
    canonical = valuer.canonical(subject)
    rate = valuer.rate(currency, subject.day)
    found = valuer.model.estimate([canonical], [_HALF])
    center, low, high = float(found.center[0]), float(found.low[0, 0]), float(found.high[0, 0])
    sold, listed, aside = _candidates(valuer, canonical)
    sales, shown = _adjusted(valuer, canonical, currency, rate, sold[:count], listed[:beside])
    value = money_of(center, rate, currency)
    reconciled = reconcile([c.grid for c in sales]) if sales else None
    shares = weights([c.grid for c in sales]) if sales else ()
    return Comparables(
        currency=currency,
        value=value,
        sales=tuple(replace(c, share=share) for c, share in zip(sales, shares, strict=True)),
        beside=tuple(shown),
        reconciled=reconciled,
        difference=None if reconciled is None else float(reconciled / value) - 1,
        set_aside=aside,
        note=_note(len(sales), count, canonical.instrument),
        caution=_caution(reconciled, money_of(low, rate, currency), money_of(high, rate, currency)),
    )


def _candidates(
    valuer: Valuer, subject: Subject
) -> tuple[list[_Candidate], list[_Candidate], tuple[str, ...]]:
    """Return sales of the subject's model, its asking prices and offers, and the ids of sales set aside."""
    sold, listed = _positions(valuer.snapshot, subject)
    positions = np.concatenate([sold, listed])
    if not len(positions):
        return [], [], ()
    records = valuer.snapshot.evidence(positions)
    theirs = [e.subject for e in records]
    noise = valuer.model.noise_sd(theirs)
    apart = valuer.model.difference_sd(theirs, [subject])
    off = (np.array([math.log(e.usd(valuer.rates)) for e in records]) - valuer.model.center(theirs)) / noise
    off[len(sold) :] = 0.0  # Asking prices and offers differ from values by nature: that is no mistake.
    # The variance of a draw from Student's t that is expected given where the draw fell.
    standard_error = np.sqrt(noise**2 * (_TAILS + off**2) / (_TAILS + 1) + apart**2)
    found = [
        _Candidate(e, int(valuer.snapshot.specimens[at]), float(d))
        for e, at, d in zip(records, positions, standard_error, strict=True)
    ]
    slips = np.abs(off) > _SLIP
    good = [c for c, slip in zip(found[: len(sold)], slips, strict=False) if not slip]
    aside = tuple(c.record.id for c, slip in zip(found, slips, strict=True) if slip)
    return _by_standard_error(subject, good), _by_standard_error(subject, found[len(sold) :]), aside


def _positions(snapshot: EvidenceSnapshot, subject: Subject) -> tuple[Positions, Positions]:
    """Return positions of the records up to the subject's day most like it: of sales, and of all others."""
    positions = snapshot.of_model(subject.instrument.maker, subject.instrument.model)
    positions = positions[snapshot.days[positions] <= subject.day.toordinal()]
    is_sale = snapshot.codes["kind"][positions] == snapshot.code("kind", "sale")
    return (
        nearest(snapshot, positions[is_sale], subject, _LOOKED_AT),
        nearest(snapshot, positions[~is_sale], subject, _LISTED),
    )


def _by_standard_error(subject: Subject, found: list[_Candidate]) -> list[_Candidate]:
    return sorted(
        found, key=lambda c: (not _same_kind(subject, c.record.subject), c.standard_error, c.record.id)
    )


def _same_kind(subject: Subject, other: Subject) -> bool:
    """Say whether edition and build are the same; a blank build counts as ordinary production."""
    builds = [s.instrument.build or "production" for s in (subject, other)]
    return edition_key(subject) == edition_key(other) and builds[0] == builds[1]


def _adjusted(
    valuer: Valuer,
    subject: Subject,
    currency: str,
    rate: float,
    *groups: Sequence[_Candidate],
) -> list[list[Comparable]]:
    """Adjust each group to the subject, and sort it: same edition and build first, then least adjusted."""
    everyone = [c for group in groups for c in group]
    if not everyone:
        return [[] for _ in groups]
    effects = valuer.model.effects([subject] * len(everyone), [c.record.subject for c in everyone])
    rows = iter(effects)
    out = []
    for group in groups:
        found = [_comparable(valuer, subject, currency, rate, c, next(rows)) for c in group]
        out.append(sorted(found, key=lambda c: (not c.same_edition_and_build, c.grid.gross, c.id)))
    return out


def _comparable(
    valuer: Valuer, subject: Subject, currency: str, rate: float, candidate: _Candidate, effects: Floats
) -> Comparable:
    e = candidate.record
    by_field = {field: float(effect) for field, effect in zip(FACTORS, effects, strict=True) if effect}
    market = [Step(field, math.expm1(by_field.pop(field, 0.0))) for field in _MARKET]
    lines = [Step(f, share) for f, share in zip(by_field, shares_of(list(by_field.values())), strict=True)]
    price = max(round_money(e.usd(valuer.rates) / rate, currency), quantum(currency))
    return Comparable(
        id=e.id,
        kind=e.kind,
        day=e.day,
        channel=e.channel,
        price=e.price,
        currency=e.currency,
        instrument=e.instrument,
        same_edition_and_build=_same_kind(subject, e.subject),
        same_instrument=candidate.specimen == specimen_digest(subject.instrument) != 0,
        standard_error=candidate.standard_error,
        grid=adjust(price, market, lines, currency),
        share=0.0,
    )


def _note(found: int, asked: int, it: Instrument) -> str | None:
    name = f"{it.maker} {it.model}"
    if not found:
        return f"The evidence up to this day holds no closed sale of this model ({name}): nothing to compare."
    if found < asked:
        return f"The evidence up to this day holds only {found} usable closed sales of this model ({name})."
    return None


def _caution(reconciled: Decimal | None, low: Decimal, high: Decimal) -> Caution | None:
    if reconciled is None or low <= reconciled <= high:
        return None
    return Caution("comparables_disagree", BESIDE["comparables_disagree"])
