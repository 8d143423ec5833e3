"""From a subject to a valuation in money: the one path that the command line and the service both take."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any, NamedTuple

from models.catalogue import Catalogue, Model
from models.cautions import Caution, cautions_for
from models.errors import Fault, InputError, RateError
from models.instrument import Instrument, Subject, Value
from models.kept import NOTHING_KEPT, Kept
from models.money import BASE_CURRENCY, Rates, quantum, round_money, split_money
from models.price.interface import (
    FACTORS,
    FAMILY_OF,
    Assessment,
    Estimate,
    EvidenceWeight,
    PriceModel,
)
from models.vocabulary import BY_PATH, DEFAULT_LEVELS, FIELDS, Family


class Interval(NamedTuple):
    """A central range that should hold the price in `level` of cases."""

    level: float
    low: Decimal
    high: Decimal


class Factor(NamedTuple):
    """What one field did, from the reference specimen to the subject: log effect, and money."""

    field: str
    label: str
    observed: Value
    reference: Value
    effect: float
    amount: Decimal


class FamilyEffect(NamedTuple):
    """The sum of its factors; families of no effect are kept, factors that do not differ are left out."""

    family: Family
    effect: float
    amount: Decimal
    factors: tuple[Factor, ...]


@dataclass(frozen=True)
class Assumption:
    """A field that was not given and was taken to be `value`."""

    field: str
    value: str
    reason: str


@dataclass(frozen=True)
class Ranged:
    """One value with its ranges. All money is in `currency`; value is the median price."""

    instrument: Instrument
    day: date
    channel: str
    currency: str
    value: Decimal
    intervals: tuple[Interval, ...]
    evidence: EvidenceWeight
    last_evidence: date | None
    cautions: tuple[Caution, ...]
    rate: float  # US dollars for one unit of `currency`
    model_version: str


@dataclass(frozen=True)
class Valuation(Ranged):
    """One value with its ranges and reasons."""

    reference: Instrument
    reference_value: Decimal
    families: tuple[FamilyEffect, ...]
    assumed: tuple[Assumption, ...]
    unknown: tuple[str, ...]


@dataclass(frozen=True)
class Valuer:
    """A price model with the catalogue, the rates and the evidence of the same bundle."""

    model: PriceModel
    catalogue: Catalogue
    rates: Rates
    version: str
    kept: Kept = NOTHING_KEPT

    def value(
        self,
        subject: Subject,
        currency: str = BASE_CURRENCY,
        levels: Sequence[float] = DEFAULT_LEVELS,
    ) -> Valuation:
        """Value one subject. Raises UnknownNameError, or InputError for a currency without a rate."""
        return self.value_all([subject], currency, levels)[0]

    def value_all(
        self,
        subjects: Sequence[Subject],
        currency: str = BASE_CURRENCY,
        levels: Sequence[float] = DEFAULT_LEVELS,
    ) -> list[Valuation]:
        """Value many; the same figures as one by one. Raises as `value`, for the first that fails."""
        rates = [self.rate(currency, subject.day) for subject in subjects]
        canonical = [self.canonical(subject) for subject in subjects]
        assessment = self.model.assess(canonical, levels)
        return [
            self._explained(assessment, row, subject, currency, rate, levels)
            for row, (subject, rate) in enumerate(zip(canonical, rates, strict=True))
        ]

    def ranged(
        self,
        subject: Subject,
        currency: str = BASE_CURRENCY,
        levels: Sequence[float] = DEFAULT_LEVELS,
    ) -> Ranged:
        """The figures that `value` gives, without the work of explaining them. Raises as `value`."""
        rate, canonical = self.rate(currency, subject.day), self.canonical(subject)
        estimate = self.model.estimate([canonical], levels)
        return Ranged(**self._ranged(estimate, 0, canonical, currency, rate, levels))

    def canonical(self, subject: Subject) -> Subject:
        """The subject with names spelled as in the catalogue. Raises UnknownNameError."""
        it = self.catalogue.canonical(subject.instrument)
        return subject if it is subject.instrument else subject._replace(instrument=it)

    def rate(self, currency: str, day: date) -> float:
        """US dollars for one unit. Raises InputError naming the currencies there are."""
        try:
            return self.rates.usd_per(currency, day)
        except RateError as error:
            allowed = ", ".join(self.rates.currencies)
            fault = Fault(
                "currency",
                currency,
                str(error).split(";")[0],
                allowed,
                "choose another currency or day",
            )
            raise InputError([fault]) from error

    def _explained(
        self,
        found: Assessment,
        row: int,
        subject: Subject,
        currency: str,
        rate: float,
        levels: Sequence[float],
    ) -> Valuation:
        ranged = self._ranged(found, row, subject, currency, rate, levels)
        it, reference = subject.instrument, found.references[row]
        reference_value = money_of(found.reference_center[row], rate, currency)
        effects = found.effects[row].tolist()
        return Valuation(
            **ranged,
            reference=reference.instrument,
            reference_value=reference_value,
            families=families_of(subject, reference, effects, ranged["value"], reference_value, currency),
            assumed=assumptions(it),
            unknown=unknown_fields(it, self.catalogue.find(it.maker, it.model)),
        )

    def _ranged(
        self,
        found: Estimate | Assessment,
        row: int,
        subject: Subject,
        currency: str,
        rate: float,
        levels: Sequence[float],
    ) -> dict[str, Any]:
        weight, last = found.weights[row], self.model.last_evidence
        ends = zip(levels, found.low[row].tolist(), found.high[row].tolist(), strict=True)
        return {
            "instrument": subject.instrument,
            "day": subject.day,
            "channel": subject.channel,
            "currency": currency,
            "value": money_of(found.center[row], rate, currency),
            "intervals": tuple(
                Interval(level, money_of(low, rate, currency), money_of(high, rate, currency))
                for level, low, high in ends
            ),
            "evidence": weight,
            "last_evidence": last,
            "cautions": cautions_for(subject, self.catalogue, weight.direct_sales, last),
            "rate": rate,
            "model_version": self.version,
        }


def money_of(log_usd: float, rate: float, currency: str) -> Decimal:
    """exp of a log price in US dollars, in `currency` at `rate`, never below the smallest amount."""
    amount, least = round_money(math.exp(log_usd) / rate, currency), quantum(currency)
    return amount if amount > least else least


def assumptions(it: Instrument) -> tuple[Assumption, ...]:
    """What was taken for granted because it was not given."""
    if it.build is not None:
        return ()
    return (
        Assumption(
            "build",
            "production",
            "no build was given: it was valued as an ordinary production one",
        ),
    )


def unknown_fields(it: Instrument, model: Model) -> tuple[str, ...]:
    """What is not known and could be, by path: no number outside a numbered edition, no figure on plain tops.

    The build is not among them: it is reported as assumed.
    """
    edition = model.edition(it.edition)
    moot = {"build", "edition"}  # an empty edition is known
    if it.edition is None or (edition is not None and edition.numbered is False):
        moot.add("edition_number")
    if model.figured_top is False:
        moot.add("figure")
    pairs = zip(BY_PATH, it.values(), strict=True)
    return tuple(path for path, value in pairs if value is None and path not in moot)


def families_of(
    subject: Subject,
    reference: Subject,
    effects: Sequence[float],
    value: Decimal,
    reference_value: Decimal,
    currency: str,
) -> tuple[FamilyEffect, ...]:
    """Effects by factor, in money to the cent, summed by family; every family stands, in a fixed order."""
    amounts = split_money(value, reference_value, effects, currency)
    shown: dict[Family, list[Factor]] = {family: [] for family in Family}
    # What is not shown has no effect, and no amount.
    for (path, label, family), effect, amount, observed, base in zip(
        _PLACES, effects, amounts, _values(subject), _values(reference), strict=True
    ):
        if effect or amount or observed != base:
            shown[family].append(Factor(path, label, observed, base, effect, amount))
    nothing = round_money(0, currency)
    return tuple(
        FamilyEffect(
            family,
            math.fsum(factor.effect for factor in factors),
            sum((factor.amount for factor in factors), nothing),
            tuple(factors),
        )
        for family, factors in shown.items()
    )


_LABELS = {**{field.path: field.label for field in FIELDS}, "day": "day of the value", "channel": "market"}
_PLACES = tuple((path, _LABELS[path], FAMILY_OF[path]) for path in FACTORS)


def _values(subject: Subject) -> tuple[Value, ...]:
    """Of every factor, in the order of FACTORS."""
    return (*subject.instrument.values(), subject.day.isoformat(), subject.channel)
