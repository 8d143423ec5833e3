"""Losses, looked up by grade; they are the same for every key.

Their scales differ by key and by one player, the switch (`models.price.evaluator.plan`): for an instrument
the build.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from models.price.backbone import row_sums
from models.price.basis import Floats, Table
from models.price.core import Core
from models.price.evaluator.curves import Curve, Share
from models.price.evaluator.encoding import Encoding, Values
from models.price.evaluator.level import kept
from models.price.evaluator.pieces import Pieces, Products
from models.price.shapley import switched_product
from models.price.spread import Moments

_KNOWN = Moments(0.0, 0.0)


class Loss(NamedTuple):
    """One field's loss at one grade.

    `amount`: before its family's scale. `departure`, `unknown`: the two sides of `models.price.hidden`.
    `prior`, `at`, `weights`: as of a level's entry. `variance`, `third`: moments of its effect where it is
    not known (`models.price.spread.Moments`).
    """

    amount: float
    departure: float
    unknown: float
    prior: float
    variance: float
    third: float
    at: tuple[int, ...]
    weights: tuple[float, ...]


class LossField:
    """The losses of one field by its value, each kept once it was asked for."""

    def __init__(self, core: Core, pieces: Pieces, encoding: Encoding, column: str) -> None:
        self._core, self._encoding, self.column = core, encoding, column
        (player,) = encoding.players_of([column])
        self.place = encoding.players.index(player)
        self.found: dict[object, Loss] = {}
        blocks = core.backbone.blocks
        places = [at for at, b in enumerate(blocks) if b.role.startswith("loss:") and b.columns == (column,)]
        self.family = blocks[places[0]].role.partition(":")[2] if places else ""
        self.part = blocks[places[0]].part if places else ""
        bases = [basis for at in places for basis in blocks[at].bases]
        self._curve = Curve(pieces, places, bases, column, {}) if places else None

    def of(self, value: object) -> Loss:
        """The loss at this value of the field."""
        return kept(self.found, value, self._made(self._encoding.ordinal(self.column, value)))

    def places_of_all(self) -> list[int]:
        """The places of the vectors of all its terms or whole grades, and of not known."""
        return [at for value in self._encoding.loss_values(self.column) for at in self.of(value).at]

    def _made(self, x: float) -> Loss:
        share = self._curve.at(x) if self._curve else Share(0.0, 0.0)
        spread = self._core.spread
        moments = spread.hidden.get(self.column, _KNOWN) if spread and math.isnan(x) else _KNOWN
        return Loss(share.total, *self._sides(x), share.prior, *moments, share.at, share.weights)

    def _sides(self, x: float) -> tuple[float, float]:
        """Departure, and 1 where unknown; both 0 for a field of which nothing is said."""
        rule = self._core.hidden
        if rule is None or self.column not in rule.columns:
            return 0.0, 0.0
        table: Table = {c: np.array([x if c == self.column else math.nan]) for c in rule.columns}
        unknown, departure = rule.sides(table)
        place = rule.columns.index(self.column)
        return float(departure[0, place]), float(unknown[0, place])


class Losses(NamedTuple):
    """The losses of one row, field by field.

    `variances`, `thirds`: moments of the effects of those that are not known, 0 for a known one. `families`,
    `parts`: sums by family and by part.
    """

    amounts: tuple[float, ...]
    departures: tuple[float, ...]
    unknowns: tuple[float, ...]
    priors: tuple[float, ...]
    variances: tuple[float, ...]
    thirds: tuple[float, ...]
    at: tuple[tuple[int, ...], ...]
    weights: tuple[tuple[float, ...], ...]
    families: tuple[float, ...]
    parts: tuple[float, ...]


class LossRules:
    """How losses of all k loss fields, in one order, become part of a value, and effects."""

    def __init__(self, core: Core, pieces: Pieces, encoding: Encoding) -> None:
        fields = _fields(core, pieces, encoding)
        self._cap = core.backbone.cap
        self._fields = [(field.place, field.found, field) for field in fields]
        self.places = [field.place for field in fields]
        families, parts = [f.family for f in fields], [f.part for f in fields]
        # Fields without a loss stand last, and in no span.
        self.spans = [_span(families, family) for family in core.backbone.families]
        self.parts = [part for part in dict.fromkeys(parts) if part]
        self._part_spans = [_span(parts, part) for part in self.parts]
        self.family_of_part = [
            core.backbone.families.index(families[span.start]) for span in self._part_spans
        ]
        self._weights = _weights(core, [field.column for field in fields])
        # All of them at once: every key needs them.
        self.products = Products(pieces)
        self.products.add([at for field in fields for at in field.places_of_all()])

    def span_of_part(self, part: str) -> slice:
        """Where the fields of a part stand."""
        return self._part_spans[self.parts.index(part)]

    def of(self, values: Values) -> Losses:
        """The losses of a row of these values."""
        found = [known.get(values[at]) or field.of(values[at]) for at, known, field in self._fields]
        if not found:
            return Losses((), (), (), (), (), (), (), (), (), ())
        amounts, departures, unknowns, priors, variances, thirds, at, weights = zip(*found, strict=True)
        # fsum: rounded once, so that a larger part can never make a smaller sum.
        families = tuple(math.fsum(amounts[span]) for span in self.spans)
        parts = tuple(math.fsum(amounts[span]) for span in self._part_spans)
        return Losses(amounts, departures, unknowns, priors, variances, thirds, at, weights, families, parts)

    def taken(self, losses: Losses, factors: Sequence[float]) -> float:
        """What the losses take off the log value at these scales: T of their scaled sum."""
        loss = self._scaled(losses, factors)
        return loss if math.isinf(self._cap) else -self._cap * math.expm1(-loss / self._cap)

    def told(self, departures: Floats, unknowns: Floats) -> Floats:
        """(n,) log value that known losses say of unknown ones (`models.price.hidden`); sides (n, k)."""
        # One row at a time would be summed in another order than many.
        return -row_sums(self._told(departures) * unknowns)

    def _told(self, departures: Floats) -> Floats:
        return np.asarray(np.einsum("fg,ng->nf", self._weights, departures))

    def slope(self, losses: Losses, factors: Sequence[float]) -> float:
        """How what they take grows with the sum of scaled losses."""
        return 1.0 if math.isinf(self._cap) else math.exp(-self._scaled(losses, factors) / self._cap)

    def _scaled(self, losses: Losses, factors: Sequence[float]) -> float:
        return sum(loss * factor for loss, factor in zip(losses.families, factors, strict=True))

    def effects(
        self, own: Losses, base: Losses, factors: Sequence[float], base_factors: Sequence[float]
    ) -> tuple[Floats, float]:
        """(k,) effects on −T that lead from the base's losses to the row's, and that of the switch."""
        if math.isinf(self._cap):
            return self._of_sum(own, base, factors, base_factors)
        return self._of_product(own, base, factors, base_factors)

    def told_effects(self, own: Losses, base: Losses) -> Floats:
        """(k,) effects on what known losses say: half of each pair's joint change goes to each side."""
        (d, u), (d0, u0) = ((np.array(side.departures), np.array(side.unknowns)) for side in (own, base))
        moved = (u - u0) * (self._weights @ (d + d0))
        told = (d - d0) * ((u + u0) @ self._weights)
        return np.asarray(-0.5 * (moved + told))

    def _of_sum(
        self, own: Losses, base: Losses, factors: Sequence[float], base_factors: Sequence[float]
    ) -> tuple[Floats, float]:
        fields, switch = np.zeros(len(own.amounts)), 0.0
        differ = np.array(own.amounts) - np.array(base.amounts)
        for n, (span, one, other) in enumerate(zip(self.spans, factors, base_factors, strict=True)):
            fields[span] = -0.5 * (one + other) * differ[span]
            switch -= 0.5 * (one - other) * (own.families[n] + base.families[n])
        return fields, switch

    def _of_product(
        self, own: Losses, base: Losses, factors: Sequence[float], base_factors: Sequence[float]
    ) -> tuple[Floats, float]:
        """T as a product over fields (`models.price.shapley`); those that do not differ are one part."""
        one, other = np.array(own.amounts), np.array(base.amounts)
        states = [base_factors] if factors == base_factors else [base_factors, factors]
        scales = np.zeros((len(states), len(one)))
        for row, by_family in zip(scales, states, strict=True):
            for span, factor in zip(self.spans, by_family, strict=True):
                row[span] = factor
        differ = one != other
        same = np.exp(-(scales[:, ~differ] @ one[~differ]) / self._cap)[:, None]
        sides = [np.exp(-scales[:, differ] * side[differ] / self._cap) for side in (one, other)]
        players, switches = switched_product(*(np.hstack([same, side])[None] for side in sides))
        fields = np.zeros(len(one))
        fields[differ] = self._cap * players[0, 1:]
        return fields, float(self._cap * switches.sum())


def _span(words: Sequence[str], word: str) -> slice:
    """Where this word stands; like words stand together."""
    start = words.index(word)
    return slice(start, start + words.count(word))


def _weights(core: Core, columns: Sequence[str]) -> Floats:
    """(k, k) what `Hidden` weighs, by these columns."""
    weights = np.zeros((len(columns), len(columns)))
    if core.hidden is not None:
        places = [columns.index(column) for column in core.hidden.columns]
        weights[np.ix_(places, places)] = core.hidden.weights
    return weights


def _fields(core: Core, pieces: Pieces, encoding: Encoding) -> list[LossField]:
    """All loss fields by family and part; one without a loss has neither and stands last.

    Raises ValueError for a loss over other columns than one loss column each, and for a column whose losses
    belong to two families or parts: a field has one scale.
    """
    odd = [
        b.name
        for b in core.backbone.blocks
        if b.role.startswith("loss:") and (len(b.columns) > 1 or b.columns[0] not in encoding.losses)
    ]
    if odd:
        raise ValueError(f"a loss must be of one loss column: {', '.join(odd)}")
    homes = {(b.columns[0], b.role, b.part) for b in core.backbone.blocks if b.role.startswith("loss:")}
    for column, count in Counter(column for column, _, _ in homes).items():
        if count > 1:
            raise ValueError(f"the losses of {column} belong to {count} families or parts; one is allowed")
    order = (*core.backbone.families, "")
    fields = [LossField(core, pieces, encoding, column) for column in encoding.losses]
    return sorted(fields, key=lambda field: (order.index(field.family), field.part))
