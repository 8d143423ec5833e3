"""The valuation of a subject in money; the command line and the service both use this module."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any, NamedTuple

from models.domain.catalogue import Catalogue
from models.domain.evidence_snapshot import NO_EVIDENCE, EvidenceSnapshot
from models.domain.instrument import Instrument, Subject
from models.domain.money import BASE_CURRENCY, NO_RATE_NEEDED, Quote, Rates, quantum, round_money
from models.domain.vocabulary import DEFAULT_LEVELS
from models.errors import Fault, InputError, RateError
from models.price.interface import FACTORS, Assessment, Estimate, EvidenceWeight, PriceModel
from models.valuation.caution_texts import Caution
from models.valuation.cautions import Grounds, cautions_for
from models.valuation.claims import Claim, claims_of
from models.valuation.factors import FamilyEffect, basis_of, families_of
from models.valuation.unsaid import Assumption, assumptions, unknown_fields


class Interval(NamedTuple):
    """A central range of money that should contain the price in the share `level` of cases."""

    level: float
    low: Decimal
    high: Decimal


@dataclass(frozen=True)
class ValueEstimate:
    """One value, the median price, with its ranges. All money is in `currency`.

    `rate`: US dollars for one unit of the currency, as of `rate_day`, published by `rate_source`.
    `provisional`: whether the price model is provisional (`models.bundles.provisional`).
    """

    instrument: Instrument
    day: date
    channel: str
    currency: str
    value: Decimal
    intervals: tuple[Interval, ...]
    evidence: EvidenceWeight
    last_evidence: date | None
    cautions: tuple[Caution, ...]
    rate: float
    rate_day: date
    rate_source: str
    model_version: str
    provisional: bool


@dataclass(frozen=True)
class Valuation(ValueEstimate):
    """One value with its ranges and reasons, counted from a typical instrument, the `reference`.

    `basis`: the share of all effects together that rests on rules of common practice, from 0 to 1.
    `assumed`: values assumed for blank fields. `unknown`: paths of the fields that are not known.
    """

    reference: Instrument
    reference_value: Decimal
    families: tuple[FamilyEffect, ...]
    basis: float
    assumed: tuple[Assumption, ...]
    unknown: tuple[str, ...]
    claims: tuple[Claim, ...]


class _Quoted(NamedTuple):
    """A currency with its exchange rate for one day."""

    currency: str
    rate: Quote

    def money(self, log_usd: float) -> Decimal:
        return money_of(log_usd, self.rate.usd, self.currency)


@dataclass(frozen=True)
class Valuer:
    """A price model with the catalogue, exchange rates and evidence of its bundle; it values subjects."""

    model: PriceModel
    catalogue: Catalogue
    rates: Rates
    version: str
    snapshot: EvidenceSnapshot = NO_EVIDENCE
    provisional: bool = False

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
        currency: str | Sequence[str] = BASE_CURRENCY,
        levels: Sequence[float] = DEFAULT_LEVELS,
    ) -> list[Valuation]:
        """Value several subjects at once; the figures are those of `value` for each subject.

        `currency`: one code for all subjects, or one for each. Raises as `value`, for the first that fails.
        """
        wanted = [currency] * len(subjects) if isinstance(currency, str) else currency
        quoted = [self._quoted(code, s.day) for code, s in zip(wanted, subjects, strict=True)]
        canonical = [self.canonical(subject) for subject in subjects]
        assessment = self.model.assess(canonical, levels)
        return [
            self._explained(assessment, row, subject, money, levels)
            for row, (subject, money) in enumerate(zip(canonical, quoted, strict=True))
        ]

    def ranged(
        self,
        subject: Subject,
        currency: str = BASE_CURRENCY,
        levels: Sequence[float] = DEFAULT_LEVELS,
    ) -> ValueEstimate:
        """Return the value and ranges that `value` gives, without explaining them. Raises as `value`."""
        quoted, canonical = self._quoted(currency, subject.day), self.canonical(subject)
        estimate = self.model.estimate([canonical], levels)
        return ValueEstimate(**self._ranged(estimate, 0, canonical, quoted, levels))

    def canonical(self, subject: Subject) -> Subject:
        """Return the subject with its names spelled as in the catalogue. Raises UnknownNameError."""
        it = self.catalogue.canonical(subject.instrument)
        return subject if it is subject.instrument else subject._replace(instrument=it)

    def rate(self, currency: str, day: date) -> float:
        """Return the US dollars for one unit of a currency. Raises InputError that lists the currencies."""
        return self.quote(currency, day).usd

    def quote(self, currency: str, day: date) -> Quote:
        """Return the exchange rate with its day and source. Raises InputError that lists the currencies."""
        try:
            return self.rates.quote(currency, day)
        except RateError as error:
            problem, allowed = str(error).split(";")[0], ", ".join(self.rates.quoted_on(day))
            step = "choose another currency or day"
            raise InputError([Fault("currency", currency, problem, allowed, step)]) from error

    def rate_source(self, currency: str) -> str:
        """Return the publisher of this currency's rates, in words; US dollars need no rate."""
        return NO_RATE_NEEDED if currency == BASE_CURRENCY else self.rates.source

    def _quoted(self, currency: str, day: date) -> _Quoted:
        return _Quoted(currency, self.quote(currency, day))

    def _explained(
        self, found: Assessment, row: int, subject: Subject, quoted: _Quoted, levels: Sequence[float]
    ) -> Valuation:
        it, reference = subject.instrument, found.references[row]
        value, base = quoted.money(found.center[row]), quoted.money(found.reference_center[row])
        effects = found.effects[row].tolist()
        model = self.catalogue.find(it.maker, it.model)
        families = families_of(
            subject, reference, effects, value, base, quoted.currency, self.model.reliance, model
        )
        claims = claims_of((factor for family in families for factor in family.factors), value)
        unknown = unknown_fields(it, model)
        by_path = dict(zip(FACTORS, effects, strict=True))
        return Valuation(
            **self._ranged(found, row, subject, quoted, levels, claimed=bool(claims)),
            reference=reference.instrument,
            reference_value=base,
            families=families,
            basis=basis_of([factor for family in families for factor in family.factors]),
            assumed=assumptions(it, unknown, reference.instrument, by_path),
            unknown=unknown,
            claims=claims,
        )

    def _ranged(
        self,
        found: Estimate | Assessment,
        row: int,
        subject: Subject,
        quoted: _Quoted,
        levels: Sequence[float],
        *,
        claimed: bool = False,
    ) -> dict[str, Any]:
        weight, first, last = found.weights[row], self.model.first_evidence, self.model.last_evidence
        ends = zip(levels, found.low[row].tolist(), found.high[row].tolist(), strict=True)
        grounds = Grounds(weight.direct_sales, first, last, quoted.rate.day, claimed, self.provisional)
        return {
            "instrument": subject.instrument,
            "day": subject.day,
            "channel": subject.channel,
            "currency": quoted.currency,
            "value": quoted.money(found.center[row]),
            "intervals": tuple(
                Interval(level, quoted.money(low), quoted.money(high)) for level, low, high in ends
            ),
            "evidence": weight,
            "last_evidence": last,
            "cautions": cautions_for(subject, self.catalogue, grounds),
            "rate": quoted.rate.usd,
            "rate_day": quoted.rate.day,
            "rate_source": quoted.rate.source,
            "model_version": self.version,
            "provisional": self.provisional,
        }


def money_of(log_usd: float, rate: float, currency: str) -> Decimal:
    """Convert a log price in US dollars to money in `currency`, at least its smallest amount.

    `rate`: US dollars for one unit of the currency.
    """
    amount, least = round_money(math.exp(log_usd) / rate, currency), quantum(currency)
    return amount if amount > least else least
