"""The effect of each field on a value, the sums by family, and the shares that rest on common practice."""

import math
from collections.abc import Sequence
from decimal import Decimal
from typing import NamedTuple

from models.domain.catalogue import Model
from models.domain.instrument import Subject, Value
from models.domain.money import round_money, split_money
from models.domain.vocabulary import FIELDS, Family
from models.practice.reliance import Comparison, Reliance
from models.price.interface import FACTORS, FAMILY_OF


class Factor(NamedTuple):
    """The effect of one field (or of day or channel) on the step from the typical instrument to the subject.

    `observed`, `reference`: the field's value in the subject and in the typical instrument. `effect`: in log.
    `amount`: in money. `basis`: the share of the effect that rests on rules of common practice, from 0
    (evidence alone) to 1 (rules alone).
    """

    field: str
    label: str
    observed: Value
    reference: Value
    effect: float
    amount: Decimal
    basis: float = 0.0


class FamilyEffect(NamedTuple):
    """The effects of one family of fields: their sum, and the factors that it is made of.

    `factors` leaves out fields that do not differ and have no effect. `basis`: as in `Factor`, the mean over
    the factors weighted by the sizes of their effects; 0 where no factor has an effect.
    """

    family: Family
    effect: float
    amount: Decimal
    factors: tuple[Factor, ...]
    basis: float = 0.0


def basis_of(factors: Sequence[Factor]) -> float:
    """Return the mean `basis` of factors, weighted by the sizes of their effects; 0 if none has an effect."""
    practised = sum([abs(factor.effect) * factor.basis for factor in factors])
    return practised / sum([abs(factor.effect) for factor in factors]) if practised else 0.0


def families_of(
    subject: Subject,
    reference: Subject,
    effects: Sequence[float],
    value: Decimal,
    reference_value: Decimal,
    currency: str,
    reliance: Reliance,
    model: Model,
) -> tuple[FamilyEffect, ...]:
    """Turn log effects into money to the cent and sum them by family.

    Every family is returned, in a fixed order; `effects` are in the order of `FACTORS`.
    """
    amounts = split_money(value, reference_value, effects, currency)
    shown: dict[Family, list[Factor]] = {family: [] for family in Family}
    between = Comparison(model, subject.instrument, reference.instrument)
    # Only factors without effect and amount are left out, so the sums still hold.
    for (path, label, family), effect, amount, observed, base in zip(
        _PLACES, effects, amounts, _values(subject), _values(reference), strict=True
    ):
        if effect or amount or observed != base:
            basis = reliance.share(path, observed, base, between) if effect else 0.0
            shown[family].append(Factor(path, label, observed, base, effect, amount, basis))
    nothing = round_money(0, currency)
    return tuple(
        FamilyEffect(
            family,
            math.fsum([factor.effect for factor in factors]),
            sum([factor.amount for factor in factors], nothing),
            tuple(factors),
            basis_of(factors),
        )
        for family, factors in shown.items()
    )


_LABELS = {**{field.path: field.label for field in FIELDS}, "day": "day of the value", "channel": "market"}
_PLACES = tuple((path, _LABELS[path], FAMILY_OF[path]) for path in FACTORS)


def _values(subject: Subject) -> tuple[Value, ...]:
    """Return the subject's value of every factor, in the order of FACTORS."""
    return (*subject.instrument.values(), subject.day.isoformat(), subject.channel)
