"""The losses of fields, looked up by grade or term; before scaling they are the same for every key.

Their scales differ by key and by one player, the switch, which for instruments is the build
(`models.price.evaluator.plan`). Sums run over the fields in one fixed order, so that rounding can never turn
a larger loss into a smaller sum.
"""

import math
from collections import Counter
from collections.abc import Sequence

import numpy as np

from models.price.core.backbone import row_sums, saturate
from models.price.core.basis import Floats, Ints
from models.price.core.core import Core
from models.price.evaluator.curves import Curves
from models.price.evaluator.encoding import Encoding, Row
from models.price.evaluator.pieces import Covariances, EntryColumn, Ledger, Pieces
from models.price.evaluator.shapley import switched_product


class LossField:
    """The losses of one field before scaling. `found`: value of the field → position of its entry."""

    def __init__(self, core: Core, pieces: Pieces, encoding: Encoding, ledger: Ledger, column: str) -> None:
        self._core, self._encoding, self._pieces, self._ledger = core, encoding, pieces, ledger
        self.column = column
        (player,) = encoding.players_of([column])
        self.position = encoding.players.index(player)
        self.found: dict[object, int] = {}
        blocks = core.backbone.blocks
        positions = [at for at, b in enumerate(blocks) if b.is_loss and b.columns == (column,)]
        self.family = blocks[positions[0]].role.family if positions else ""
        self.part = blocks[positions[0]].part if positions else ""
        self._curves = Curves(core.backbone, pieces, [positions], [column])

    def of(self, value: object) -> int:
        """Return the position in the ledger of the loss at this value of the field; make a missing entry."""
        if value not in self.found:
            self.found[value] = self._ledger.extend(self._made(self._encoding.ordinal(self.column, value)))
        return self.found[value]

    def _made(self, x: float) -> Floats:
        out: Floats = self._pieces.between(self._curves.between({self.column: np.array([x])}, [0]))[0]
        spread, rule = self._core.spread, self._core.missing_losses
        if rule and self.column in rule.columns:
            sides = rule.sides(dict.fromkeys(rule.columns, np.array([x])))
            position = rule.columns.index(self.column)
            out[0, [EntryColumn.UNKNOWN, EntryColumn.DEPARTURE]] = [side[0, position] for side in sides]
        if spread and math.isnan(x) and self.column in spread.loss_moments:
            out[0, [EntryColumn.VARIANCE, EntryColumn.THIRD]] = spread.loss_moments[self.column]
        return out


class LossRules:
    """The computation of values and effects from the losses of all k loss fields, in one fixed order.

    `families`, `parts`: of each field, "" for a field without a loss. The methods take losses as entries,
    (entry columns, n, k), and scales as (n, k).
    """

    def __init__(self, core: Core, pieces: Pieces, ledger: Ledger, encoding: Encoding) -> None:
        self._fields = _fields(core, pieces, encoding, ledger)
        self._cap = core.backbone.cap
        self.readers = [field.found.get for field in self._fields]
        self.positions = [field.position for field in self._fields]
        self.families, self.parts = [f.family for f in self._fields], [f.part for f in self._fields]
        self._of_family = [np.array(self.families) == family for family in core.backbone.families]
        self._weights = _weights(core, [field.column for field in self._fields])
        self._weights_back = np.ascontiguousarray(self._weights.T)
        # Covariances of all losses are computed in advance, since every key needs them.
        self.covariances = Covariances(pieces)
        whole = [[field.of(v) for v in encoding.loss_values(field.column)] for field in self._fields]
        self.covariances.add([int(at) for own in whole for at in ledger.of(own)[:, EntryColumn.AT]])

    def filled(self, found: Ints, rows: Sequence[Row]) -> Ints:
        """Return the (n, k) ledger positions of losses with missing ones (−1) made and filled in."""
        for row, field in np.argwhere(found < 0).tolist():
            found[row, field] = self._fields[field].of(rows[row].values[self.positions[field]])
        return found

    def taken(self, losses: Floats, scales: Floats) -> Floats:
        """Return (n,) amounts by which losses lower log values, T (`core.backbone`) of the scaled sum."""
        return saturate(row_sums(losses[EntryColumn.TOTAL] * scales), self._cap)

    def told(self, losses: Floats) -> Floats:
        """Return the (n,) corrections of unknown losses by known ones, in log (`MissingLossModel`)."""
        return -row_sums(_weighed(self._weights, losses[EntryColumn.DEPARTURE]) * losses[EntryColumn.UNKNOWN])

    def slopes(self, losses: Floats, scales: Floats) -> tuple[Floats, Floats]:
        """Return slopes of n log values: (n, k) by each field's loss, (n, families) by each log scale."""
        scaled = losses[EntryColumn.TOTAL] * scales
        slope = np.exp(-row_sums(scaled) / self._cap)[:, None]  # The slope is 1 if the cap is infinite.
        of_scales = [row_sums(scaled[:, own]) for own in self._of_family]
        return -slope * scales, -slope * np.array(of_scales).reshape(len(of_scales), len(scaled)).T

    def effects(self, own: Floats, base: Floats, scales: Floats, of_base: Floats) -> tuple[Floats, Floats]:
        """Return (n, k) effects of the fields and (n,) of the switch on −T, the losses' part of the value.

        The effects lead from each base to its row. `own`, `base`: losses of rows and bases. `scales`,
        `of_base`: their scales.
        """
        own, base = own[EntryColumn.TOTAL], base[EntryColumn.TOTAL]
        if math.isinf(self._cap):
            fields = -0.5 * (scales + of_base) * (own - base)
            return fields, -0.5 * row_sums((scales - of_base) * (own + base))
        # With a finite cap, T is a product over fields (`models.price.evaluator.shapley`).
        states = np.stack([of_base, scales], axis=1)
        sides = [np.exp(-states * side[:, None] / self._cap) for side in (own, base)]
        players, switch = switched_product(*sides)
        return self._cap * players, self._cap * switch

    def told_effects(self, own: Floats, base: Floats) -> Floats:
        """Return (n, k) effects on the correction by known losses; a pair's joint change is halved."""
        both, step = own + base, own - base
        moved = step[EntryColumn.UNKNOWN] * _weighed(self._weights, both[EntryColumn.DEPARTURE])
        told = step[EntryColumn.DEPARTURE] * _weighed(self._weights_back, both[EntryColumn.UNKNOWN])
        return np.asarray(-0.5 * (moved + told))


def _weighed(weights: Floats, sides: Floats) -> Floats:
    """Return (n, k): the weights (k, k) times each row of `sides` (n, k)."""
    # No matrix product is used here, because its order of summing depends on the number of rows.
    return np.asarray(np.einsum("fg,ng->nf", weights, sides))


def _weights(core: Core, columns: Sequence[str]) -> Floats:
    """Return the (k, k) weights of `MissingLossModel` in the order of these columns, 0 for other columns."""
    weights = np.zeros((len(columns), len(columns)))
    if core.missing_losses is not None:
        positions = [columns.index(column) for column in core.missing_losses.columns]
        weights[np.ix_(positions, positions)] = core.missing_losses.weights
    return weights


def _fields(core: Core, pieces: Pieces, encoding: Encoding, ledger: Ledger) -> list[LossField]:
    """Return all loss fields, ordered by family and part; fields without a loss come last.

    Raises ValueError for a loss block that is not over one loss column, and for a column whose losses belong
    to two families or parts, since a field has one scale.
    """
    odd = [
        b.name
        for b in core.backbone.blocks
        if b.is_loss and (len(b.columns) > 1 or b.columns[0] not in encoding.losses)
    ]
    if odd:
        raise ValueError(f"a loss must be of one loss column: {', '.join(odd)}")
    homes = {(b.columns[0], b.role, b.part) for b in core.backbone.blocks if b.is_loss}
    for column, count in Counter(column for column, _, _ in homes).items():
        if count > 1:
            raise ValueError(f"the losses of {column} belong to {count} families or parts; one is allowed")
    order = (*core.backbone.families, "")
    fields = [LossField(core, pieces, encoding, ledger, column) for column in encoding.losses]
    return sorted(fields, key=lambda field: (order.index(field.family), field.part))
