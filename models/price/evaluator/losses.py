"""Losses, looked up by grade; they are the same for every key.

Their scales differ by key and by one player, the switch (`models.price.evaluator.plan`): for an instrument
the build. Sums are taken field by field in one order, so that a larger part can never make a smaller sum.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from models.price.backbone import row_sums
from models.price.basis import Floats, Ints, Table
from models.price.core import Core
from models.price.evaluator.curves import Bent, Curves
from models.price.evaluator.encoding import Encoding, Row
from models.price.evaluator.pieces import (
    AT,
    DEPARTURE,
    SHARE,
    TOTAL,
    UNKNOWN,
    VARIANCE,
    Covariances,
    Ledger,
    Pieces,
)
from models.price.shapley import switched_product


class LossField:
    """The losses of one field, before its family's scale. `found`: its value → the place of its entry."""

    def __init__(self, core: Core, pieces: Pieces, encoding: Encoding, ledger: Ledger, column: str) -> None:
        self._core, self._encoding, self._pieces, self._ledger = core, encoding, pieces, ledger
        self.column = column
        (player,) = encoding.players_of([column])
        self.place = encoding.players.index(player)
        self.found: dict[object, int] = {}
        blocks = core.backbone.blocks
        places = [at for at, b in enumerate(blocks) if b.role.startswith("loss:") and b.columns == (column,)]
        self.family = blocks[places[0]].role.partition(":")[2] if places else ""
        self.part = blocks[places[0]].part if places else ""
        self._curves = Curves(core.backbone, pieces, [Bent(places, column, ())])

    def of(self, value: object) -> int:
        """Where the loss at this value of the field stands."""
        if value not in self.found:
            self.found[value] = self._ledger.add(self._made(self._encoding.ordinal(self.column, value)))
        return self.found[value]

    def _made(self, x: float) -> Floats:
        out = self._pieces.between(*self._curves.between({self.column: np.array([x])}, [0]))[0, 0]
        out[DEPARTURE], out[UNKNOWN] = self._sides(x)
        spread = self._core.spread
        out[VARIANCE] = spread.hidden.get(self.column, 0.0) if spread and math.isnan(x) else 0.0
        return out

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
    """The losses of n rows, field by field (n, k), with their sums by family and by part, (n, …).

    `variances`: of the effects of those that are not known, 0 for a known one. `share`: of the second of the
    two pieces between which each lies.
    """

    amounts: Floats
    departures: Floats
    unknowns: Floats
    variances: Floats
    share: Floats
    families: Floats
    parts: Floats


class LossRules:
    """How losses of all k loss fields, in one order, become part of a value, and effects."""

    def __init__(self, core: Core, pieces: Pieces, ledger: Ledger, encoding: Encoding) -> None:
        self._fields = _fields(core, pieces, encoding, ledger)
        self._cap = core.backbone.cap
        self.readers = [field.found.get for field in self._fields]
        self.places = [field.place for field in self._fields]
        families, parts = [f.family for f in self._fields], [f.part for f in self._fields]
        # Fields without a loss stand last, and in no span.
        self._spans = [_span(families, family) for family in core.backbone.families]
        self.parts = [part for part in dict.fromkeys(parts) if part]
        self._part_spans = [_span(parts, part) for part in self.parts]
        self.family_of_part = [
            core.backbone.families.index(families[span.start]) for span in self._part_spans
        ]
        self._family = np.array([core.backbone.families.index(f) for f in families if f], np.int64)
        self._weights = _weights(core, [field.column for field in self._fields])
        # All of them at once: every key needs them.
        self.covariances = Covariances(pieces)
        whole = [[field.of(v) for v in encoding.loss_values(field.column)] for field in self._fields]
        self.covariances.add([int(at) for own in whole for at in ledger.of(own)[:, AT]])

    def span_of_part(self, part: str) -> slice:
        """Where the fields of a part stand."""
        return self._part_spans[self.parts.index(part)]

    def filled(self, found: Ints, rows: Sequence[Row]) -> Ints:
        """(n, k) places of the losses of n rows in the ledger, those made that were not kept (−1)."""
        for row, field in np.argwhere(found < 0).tolist():
            found[row, field] = self._fields[field].of(rows[row].values[self.places[field]])
        return found

    def of(self, entries: Floats) -> Losses:
        """The losses of n rows, from their entries (COLUMNS, n, k)."""
        amounts, departures, unknowns, variances, share = (
            np.ascontiguousarray(entries[at]) for at in (TOTAL, DEPARTURE, UNKNOWN, VARIANCE, SHARE)
        )
        sums = _sums(amounts, self._spans), _sums(amounts, self._part_spans)
        return Losses(amounts, departures, unknowns, variances, share, *sums)

    def taken(self, losses: Losses, factors: Floats) -> Floats:
        """(n,) what losses take off the log value at these scales (n, families): T of their scaled sum."""
        loss = row_sums(losses.families * factors)
        return loss if math.isinf(self._cap) else np.asarray(-self._cap * np.expm1(-loss / self._cap))

    def told(self, losses: Losses) -> Floats:
        """(n,) log value that known losses say of unknown ones (`models.price.hidden`)."""
        return -row_sums(self._told(losses.departures) * losses.unknowns)

    def slopes(self, losses: Losses, factors: Floats) -> tuple[Floats, Floats]:
        """(n, k) how the value moves with each field's loss, and (n, families) with the log of each scale."""
        scaled = losses.families * factors
        slope = np.exp(-row_sums(scaled) / self._cap)[:, None]  # 1 where the cap is infinite
        return self._by_field(-slope * factors), -slope * scaled

    def effects(self, own: Losses, base: Losses, factors: Floats, of_base: Floats) -> tuple[Floats, Floats]:
        """(n, k) effects on −T that lead from the base's losses to the row's, and (n,) that of the switch."""
        if not math.isinf(self._cap):
            return self._of_product(own, base, factors, of_base)
        fields = -0.5 * self._by_field(factors + of_base) * (own.amounts - base.amounts)
        return fields, -0.5 * row_sums((factors - of_base) * (own.families + base.families))

    def told_effects(self, own: Losses, base: Losses) -> Floats:
        """(n, k) effects on what known losses say: half of each pair's joint change goes to each side."""
        moved = (own.unknowns - base.unknowns) * self._told(own.departures + base.departures)
        unknown = np.einsum("gf,ng->nf", self._weights, own.unknowns + base.unknowns)
        return np.asarray(-0.5 * (moved + (own.departures - base.departures) * unknown))

    def _told(self, departures: Floats) -> Floats:
        # Not by a matrix product: one row would be summed in another order than many.
        return np.asarray(np.einsum("fg,ng->nf", self._weights, departures))

    def _by_field(self, of_families: Floats) -> Floats:
        """(n, k) of (n, families); 0 for fields without a loss."""
        out = np.zeros((len(of_families), len(self._fields)))
        out[:, : len(self._family)] = of_families[:, self._family]
        return out

    def _of_product(
        self, own: Losses, base: Losses, factors: Floats, of_base: Floats
    ) -> tuple[Floats, Floats]:
        """T as a product over fields (`models.price.shapley`), with and without the switch."""
        scales = np.stack([self._by_field(of_base), self._by_field(factors)], axis=1)
        sides = [np.exp(-scales * side.amounts[:, None] / self._cap) for side in (own, base)]
        players, switches = switched_product(*sides)
        return self._cap * players, self._cap * switches[:, 0]


def _sums(amounts: Floats, spans: Sequence[slice]) -> Floats:
    """(n, spans) the sums of (n, k) amounts within each span."""
    out = np.empty((len(amounts), len(spans)))
    for at, span in enumerate(spans):
        out[:, at] = row_sums(amounts[:, span])
    return out


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


def _fields(core: Core, pieces: Pieces, encoding: Encoding, ledger: Ledger) -> list[LossField]:
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
    fields = [LossField(core, pieces, encoding, ledger, column) for column in encoding.losses]
    return sorted(fields, key=lambda field: (order.index(field.family), field.part))
