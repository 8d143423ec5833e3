"""Losses of condition and originality, looked up by grade; they are the same for every model.

Their scales differ by model and build (`models.price.fast.plan`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from models.price.backbone import Block
from models.price.basis import Floats, Table
from models.price.core import Core
from models.price.fast.curves import Curve, Share, is_straight
from models.price.fast.level import NotStraightError, Values, remembered
from models.price.fast.pieces import Pieces, Products
from models.price.features import LOSSES, PLAYERS, ordinal
from models.price.games import switched_product
from models.price.interface import FACTORS
from models.vocabulary import BY_FLAT, Kind


class Loss(NamedTuple):
    """One field's loss at one grade.

    `amount`: before its family's scale. `departure`, `unknown`: the two sides of `models.price.hidden`.
    `prior`, `hidden`, `at`, `weights`: as of a level's entry.
    """

    amount: float
    departure: float
    unknown: float
    prior: float
    hidden: float
    at: tuple[int, ...]
    weights: tuple[float, ...]


class LossField:
    """The losses of one field by its value, each remembered once it was asked for."""

    def __init__(self, core: Core, pieces: Pieces, column: str, family: str) -> None:
        self._core, self.column, self.family = core, column, family
        self.place = FACTORS.index(PLAYERS[column][0])
        self.found: dict[object, Loss] = {}
        places = [
            at for at, block in enumerate(core.backbone.blocks) if _is_loss(block.role, block.columns, column)
        ]
        bases = [basis for at in places for basis in core.backbone.blocks[at].bases]
        self._curve = Curve(pieces, places, bases, column, {}) if places else None

    def of(self, value: object) -> Loss:
        """The loss at this value of the field."""
        return remembered(self.found, value, self._made(ordinal(self.column, value)))

    def places_of_all(self) -> list[int]:
        """The places of the vectors of all its terms or whole grades, and of not known."""
        field = BY_FLAT[self.column]
        values = [None, *(map(float, field.names) if field.kind is Kind.GRADE else field.names)]
        return [at for value in values for at in self.of(value).at]

    def _made(self, x: float) -> Loss:
        share = self._curve.at(x) if self._curve else Share(0.0, 0.0)
        variance = self._core.spread.hidden.get(self.column, 0.0) if math.isnan(x) else 0.0
        return Loss(share.total, *self._sides(x), share.prior, variance, share.at, share.weights)

    def _sides(self, x: float) -> tuple[float, float]:
        """Departure, and 1 where unknown; both 0 for a field of which nothing is said."""
        rule = self._core.hidden
        if rule is None or self.column not in rule.columns:
            return 0.0, 0.0
        table: Table = {c: np.array([x if c == self.column else math.nan]) for c in rule.columns}
        unknown, departure = rule.sides(table)
        place = rule.columns.index(self.column)
        return float(departure[0, place]), float(unknown[0, place])


def _is_loss(role: str, columns: tuple[str, ...], column: str) -> bool:
    return role.startswith("loss:") and columns == (column,)


class Losses(NamedTuple):
    """The losses of one subject, field by field; `departures`, `unknowns`: (k,).

    `families`: their sums by family.
    """

    amounts: tuple[float, ...]
    departures: Floats
    unknowns: Floats
    priors: tuple[float, ...]
    hidden: float
    at: tuple[tuple[int, ...], ...]
    weights: tuple[tuple[float, ...], ...]
    families: tuple[float, ...]


class LossRules:
    """How losses of all k ordinal fields, in one order, become part of a value, and effects."""

    def __init__(self, core: Core, pieces: Pieces) -> None:
        fields = _fields(core, pieces)
        self._cap = core.backbone.cap
        self._fields = [(field.place, field.found, field) for field in fields]
        self.places = [field.place for field in fields]
        families = [field.family for field in fields]
        starts = [families.index(family) for family in core.backbone.families]
        # Fields without a loss stand last, and in no span.
        self.spans = [slice(at, at + families.count(families[at])) for at in starts]
        self._weights = _weights(core, [field.column for field in fields])
        # All of them at once: every model needs them.
        self.products = Products(pieces)
        self.products.add([at for field in fields for at in field.places_of_all()])

    def of(self, values: Values) -> Losses:
        """The losses of a subject of these values."""
        found = [known.get(values[at]) or field.of(values[at]) for at, known, field in self._fields]
        amounts, departures, unknowns, priors, hidden, at, weights = zip(*found, strict=True)
        # fsum: rounded once, so that a larger part can never make a smaller sum.
        families = tuple(math.fsum(amounts[span]) for span in self.spans)
        return Losses(
            amounts, np.array(departures), np.array(unknowns), priors, sum(hidden), at, weights, families
        )

    def change(self, losses: Losses, factors: Sequence[float]) -> float:
        """What the losses add to the log value at these scales, told ones of unknown fields included."""
        loss = self._scaled(losses, factors)
        taken = loss if math.isinf(self._cap) else -self._cap * math.expm1(-loss / self._cap)
        return -taken - float(losses.unknowns @ (self._weights @ losses.departures))

    def slope(self, losses: Losses, factors: Sequence[float]) -> float:
        """How what they take grows with the sum of scaled losses."""
        return 1.0 if math.isinf(self._cap) else math.exp(-self._scaled(losses, factors) / self._cap)

    def _scaled(self, losses: Losses, factors: Sequence[float]) -> float:
        return sum(loss * factor for loss, factor in zip(losses.families, factors, strict=True))

    def effects(
        self, own: Losses, base: Losses, factors: Sequence[float], base_factors: Sequence[float]
    ) -> tuple[list[float], float]:
        """What leads from the base's losses to the subject's: effects of the k fields, and of the build."""
        if math.isinf(self._cap):
            fields, build = self._of_sum(own, base, factors, base_factors)
        else:
            fields, build = self._of_product(own, base, factors, base_factors)
        known = own.departures - base.departures
        unknown = own.unknowns - base.unknowns
        moved = unknown * (self._weights @ (own.departures + base.departures))
        told = known * ((own.unknowns + base.unknowns) @ self._weights)
        return (fields - 0.5 * (moved + told)).tolist(), build

    def _of_sum(
        self, own: Losses, base: Losses, factors: Sequence[float], base_factors: Sequence[float]
    ) -> tuple[Floats, float]:
        fields, build = np.zeros(len(own.amounts)), 0.0
        differ = np.array(own.amounts) - np.array(base.amounts)
        for n, (span, one, other) in enumerate(zip(self.spans, factors, base_factors, strict=True)):
            fields[span] = -0.5 * (one + other) * differ[span]
            build -= 0.5 * (one - other) * (own.families[n] + base.families[n])
        return fields, build

    def _of_product(
        self, own: Losses, base: Losses, factors: Sequence[float], base_factors: Sequence[float]
    ) -> tuple[Floats, float]:
        """As `models.price.explain` has it; fields that do not differ are one part that is the same."""
        one, other = np.array(own.amounts), np.array(base.amounts)
        builds = [base_factors] if factors == base_factors else [base_factors, factors]
        scales = np.zeros((len(builds), len(one)))
        for row, by_family in zip(scales, builds, strict=True):
            for span, factor in zip(self.spans, by_family, strict=True):
                row[span] = factor
        differ = one != other
        same = np.exp(-(scales[:, ~differ] @ one[~differ]) / self._cap)[:, None]
        sides = [np.exp(-scales[:, differ] * side[differ] / self._cap) for side in (one, other)]
        players, switches = switched_product(*(np.hstack([same, side])[None] for side in sides))
        fields = np.zeros(len(one))
        fields[differ] = self._cap * players[0, 1:]
        return fields, float(self._cap * switches.sum())


def _weights(core: Core, columns: Sequence[str]) -> Floats:
    """(k, k) what `Hidden` weighs, by these columns."""
    weights = np.zeros((len(columns), len(columns)))
    if core.hidden is not None:
        places = [columns.index(column) for column in core.hidden.columns]
        weights[np.ix_(places, places)] = core.hidden.weights
    return weights


def _fields(core: Core, pieces: Pieces) -> list[LossField]:
    """All ordinal fields, family by family; one without a loss has no family and stands last."""
    families = {block.columns[0]: family for block, family in _loss_blocks(core)}
    order = (*core.backbone.families, "")
    fields = [LossField(core, pieces, column, families.get(column, "")) for column in LOSSES]
    return sorted(fields, key=lambda field: order.index(field.family))


def _loss_blocks(core: Core) -> list[tuple[Block, str]]:
    roles = ((block, *block.role.partition(":")) for block in core.backbone.blocks)
    return [(block, family) for block, role, _, family in roles if role == "loss"]


def check_losses(core: Core) -> None:
    """Raises NotStraightError for losses that cannot be looked up by one ordinal field each."""
    families: dict[str, str] = {}
    for block, family in _loss_blocks(core):
        column, *others = block.columns
        if others or column not in LOSSES or families.setdefault(column, family) != family:
            raise NotStraightError(block.name)
        if not all(map(is_straight, block.bases)):
            raise NotStraightError(block.name)
    if core.hidden is not None and set(core.hidden.columns) - set(LOSSES):
        raise NotStraightError("a rule of unknown fields over other columns")
