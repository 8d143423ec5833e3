"""Values, ranges and effects of rows, computed from the cached entries of their fields."""

import math
from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np

from models.price.core.backbone import row_sums
from models.price.core.basis import Floats
from models.price.core.core import Core, Input
from models.price.core.lopsided import Bends, heavy_of
from models.price.core.spread import LEAST_UNSURE, Spread
from models.price.evaluator.attributions import Attributions, Division
from models.price.evaluator.encoding import Encoding, Row
from models.price.evaluator.level import kept
from models.price.evaluator.lookup import Lookup, looked_up, weights_of
from models.price.evaluator.pieces import EntryColumn, variance_of
from models.price.evaluator.plan import Memory, Plan

_MOST_BYTES = 32 << 20  # Most bytes of the cache; a fuller one is replaced by an empty one.
_AT_ONCE, _AT_ONCE_NEW = 512, 64  # Rows computed together, if values recur and if most rows bring new ones.


class PredictionIntervals(NamedTuple):
    """n medians and ranges, in log. `center`: (n,). `low`, `high`: (n, levels) ends of central ranges.

    `effective`: (n,) numbers of sales that would pin each value down as well as all the evidence does.
    """

    center: Floats
    low: Floats
    high: Floats
    effective: Floats


class ValueParts(NamedTuple):
    """The parts of n values and of their scales, (n,) each, all in log.

    `level`: the backbone's level, with blank terms. `taken`: its losses, before trees. `told`: the correction
    of unknown losses by known ones. `inputs`: (n, p) inputs of the trees. `noise`: the sum of level effects
    in the log noise variance. `unknown`: variance of the unknown losses. `shift`, `mixture`: mean and
    variance of what the true values of blanks would add to `level`. `time`: in years.
    """

    level: Floats
    taken: Floats
    told: Floats
    inputs: Floats
    noise: Floats
    unknown: Floats
    shift: Floats
    mixture: Floats
    time: Floats


class Evaluator:
    """The computation of values, ranges and effects for rows of one encoding, with a cache by key."""

    def __init__(self, core: Core, encoding: Encoding, inputs: Sequence[Input] | None = None) -> None:
        """`inputs`: the inputs to compute for trees that are still to be fitted, if the core has no trees."""
        self.core, self.encoding = core, encoding
        self._inputs = core.trees.inputs if core.trees else tuple(inputs or ())
        self._memory = Memory(core, encoding, self._inputs)
        self._division = Division(self._memory)
        self._bends: dict[tuple[float, ...], Bends] = {}

    def center(self, rows: Sequence[Row]) -> Floats:
        """Return the (n,) medians, in log, of n ≥ 1 rows."""
        return self.center_of(self.parts_of(rows))

    def ranges(self, rows: Sequence[Row], levels: Sequence[float]) -> PredictionIntervals:
        """Return the medians and ranges of n ≥ 1 rows."""
        each = [(one, self.center_of(one)) for one in self._found(rows)]
        return PredictionIntervals(*_joined([self._ranges(*pair, levels) for pair in each]))

    def explained(
        self, rows: Sequence[Row], levels: Sequence[float]
    ) -> tuple[PredictionIntervals, Attributions]:
        """Return the medians and ranges of n ≥ 1 rows, and the effects from each row's reference to it."""
        out, references = [], []
        for found in self._with_references(rows):
            own, base = found.some(slice(len(found.rows) // 2)), found.some(slice(len(found.rows) // 2, None))
            bent, of_base, effects = self._bent(own, base)
            center, reference = self.center_of(own, bent), self.center_of(base, of_base)
            out.append((*self._ranges(own, center, levels), reference, self._effects(own, base, effects)))
            references += [row.values for row in base.rows]
        joined = _joined(out)
        return PredictionIntervals(*joined[:4]), Attributions(references, *joined[4:])

    def effects(self, rows: Sequence[Row], bases: Sequence[Row]) -> Floats:
        """Return (n, players) Shapley effects, in log, from each base to its row; both must have one key."""
        pairs = self._pairs(rows, bases)
        return np.concatenate([self._effects(*both, self._bent(*both)[2]) for both in pairs])

    def difference_variance(self, rows: Sequence[Row], others: Sequence[Row]) -> Floats:
        """Return the (n,) variances, in log, of the difference in value between each row and its other.

        Rows and `others` are paired in order; a single other is paired with every row. The noise of a sale
        and the uncertainty of shared coefficients do not count. Absolute differences of the variances of
        unknown losses, field by field, and of blanks of the level are added.
        """
        spread, out = self._spread, []
        beside = list(others) * (len(rows) if len(others) == 1 else 1)
        for found, other in self._pairs(rows, beside):
            sums = [one.memory.pieces.summed(*weights_of(one)) for one in (found, other)]
            learned = variance_of(*(own - their for own, their in zip(*sums, strict=True)))
            unknown = np.abs((found.losses - other.losses)[EntryColumn.VARIANCE]).sum(axis=1)
            unknown += np.abs(_mixtures(found)[1] - _mixtures(other)[1])
            out.append(spread.posterior * learned + unknown)
        return np.concatenate(out)

    def covariance(self, rows: Sequence[Row]) -> Floats:
        """Return the (n, n) covariance, in log, of n ≥ 1 values that is due to uncertain coefficients."""
        found = self._look_up(self._with_room(), rows)  # All rows need one cache, even if it gets too full.
        scaled, vectors = found.memory.pieces.summed(*weights_of(found))
        return np.asarray(self._spread.posterior * (scaled @ scaled.T - vectors @ vectors.T))

    def loadings(self, rows: Sequence[Row]) -> Floats:
        """Return (n, k) loadings, in log, of the errors that n ≥ 1 values of one day share.

        The product of two rows is the covariance of their values: that of uncertain coefficients, and in the
        last column the market's drift outside the days of the evidence, which moves all values alike.
        """
        spread, out = self._spread, []
        for found in self._found(rows):
            time = np.array([self.encoding.time(row.values) for row in found.rows])
            learned = math.sqrt(spread.posterior) * found.memory.pieces.loadings(*weights_of(found))
            out.append(np.column_stack([learned, np.sqrt(spread.drift * spread.outside(time))]))
        return np.concatenate(out)

    def noise_variance(self, rows: Sequence[Row]) -> Floats:
        """Return the (n,) variances, in log, of a sale price of each row around its true value."""
        parts = self.parts_of(rows)
        noise = self._spread.noise.variance(parts.noise, self.center_of(parts))
        return np.asarray(noise + parts.unknown + parts.mixture)

    def parts_of(self, rows: Sequence[Row]) -> ValueParts:
        """Return the parts of which the values and the scales of n ≥ 1 rows are made."""
        return ValueParts(*_joined([self._parts(found) for found in self._found(rows)]))

    def center_of(self, parts: ValueParts | Lookup, bent: Floats | None = None) -> Floats:
        """Return the (n,) medians, in log. `bent`: (n,) predictions of the trees, if already computed."""
        trees = self.core.trees
        if trees is None:
            return np.asarray(parts.level - parts.taken + parts.told)
        said = trees.tables.predict(parts.inputs) if bent is None else bent
        beside = trees.kept_level * parts.level - trees.kept_losses * parts.taken
        return np.asarray(beside + parts.told + trees.weight * said)

    def _found(self, rows: Sequence[Row]) -> Iterator[Lookup]:
        """Look up the cached entries of the rows, a limited number of rows at a time; make missing ones."""
        for some in _chunks(rows, self._at_once):
            yield self._look_up(self._with_room(), some)

    def _pairs(self, rows: Sequence[Row], others: Sequence[Row]) -> Iterator[tuple[Lookup, Lookup]]:
        """Look up rows and others in pairs. Raises ValueError if their numbers differ."""
        if len(rows) != len(others):
            raise ValueError(f"{len(rows)} rows cannot be paired with {len(others)}")
        for some, beside in zip(_chunks(rows, self._at_once), _chunks(others, self._at_once), strict=True):
            memory = self._with_room()
            yield self._look_up(memory, some), self._look_up(memory, beside)

    @property
    def _at_once(self) -> int:
        return _AT_ONCE if self.encoding.recurring else _AT_ONCE_NEW

    def _with_room(self) -> Memory:
        if self._memory.nbytes > _MOST_BYTES:
            self._memory = Memory(self.core, self.encoding, self._inputs)
        return self._memory

    def _look_up(self, memory: Memory, rows: Sequence[Row]) -> Lookup:
        plans = [memory.plan(row) for row in rows]
        return looked_up(memory, plans, rows, memory.find(plans, rows))

    def _with_references(self, rows: Sequence[Row]) -> Iterator[Lookup]:
        """Look up the rows in batches; each batch is followed by the references of its rows."""
        for some in _chunks(rows, self._at_once):
            memory = self._with_room()
            plans = [memory.plan(row) for row in some]
            found = memory.find(plans, some)
            bases, positions = memory.references(plans, some, found)
            yield looked_up(memory, plans + plans, [*some, *bases], np.concatenate([found, positions]))

    @property
    def _spread(self) -> Spread:
        if self.core.spread is None:
            raise ValueError("the core has no spread yet: fit it before asking for a range")
        return self.core.spread

    def _bent(self, own: Lookup, base: Lookup) -> tuple[Floats, Floats, Floats]:
        """Return the trees' (n,) predictions for rows and bases, and (n, p) effects from bases to rows."""
        if self.core.trees is None:
            return own.level, base.level, own.inputs  # Without trees these are never used.
        return self.core.trees.tables.explained(own.inputs, base.inputs)

    def _parts(self, found: Lookup) -> ValueParts:
        noise = np.array([plan.noise(row) for plan, row in zip(found.plans, found.rows, strict=True)])
        unknown = row_sums(found.losses[EntryColumn.VARIANCE])
        time = np.array([self.encoding.time(row.values) for row in found.rows])
        value, (shift, mixture) = (found.level, found.taken, found.told, found.inputs), _mixtures(found)
        return ValueParts(*value, noise, unknown, shift, mixture, time)

    def _ranges(self, found: Lookup, center: Floats, levels: Sequence[float]) -> PredictionIntervals:
        spread, parts, posterior = self._spread, self._parts(found), self._posterior(found)
        noise = spread.noise.variance(parts.noise, center)
        scale = spread.scale(noise, posterior, parts.unknown, parts.mixture, parts.time)
        thirds = row_sums(found.losses[EntryColumn.THIRD]).tolist()
        pairs = zip(parts.unknown.tolist(), thirds, strict=True)
        heavy, chance = np.array([heavy_of(*moments) for moments in pairs]).T
        ends = self._bends_of(levels).at(heavy / (scale * scale), chance)
        reached = (center + parts.shift)[:, None] + scale[:, None] * ends
        low, high = reached[:, : len(levels)], reached[:, len(levels) :]
        effective = noise / np.maximum(posterior, noise * LEAST_UNSURE)
        # A blank counts as typical or worse, so the mean over its likely values can lie above the value.
        low, high = np.minimum(low, center[:, None]), np.maximum(high, center[:, None])
        return PredictionIntervals(center, low, high, effective)

    def _bends_of(self, levels: Sequence[float]) -> Bends:
        key = tuple(levels)
        return self._bends.get(key) or kept(self._bends, key, Bends(np.concatenate(self._spread.ends(key))))

    def _posterior(self, found: Lookup) -> Floats:
        """Return the (n,) variances of the values that are due to uncertain coefficients."""
        at, weights = weights_of(found)
        if not self.encoding.recurring:
            return found.memory.pieces.variance(at, weights)
        out = np.empty(len(found.rows))
        groups: dict[Plan, list[int]] = {}
        for row, plan in enumerate(found.plans):
            groups.setdefault(plan, []).append(row)
        for plan, own in groups.items():
            out[own] = plan.covariances.variance(at[:, own], weights[:, own])
        return out

    def _effects(self, found: Lookup, base: Lookup, bent: Floats) -> Floats:
        """Return the (n, players) effects from bases to rows. `bent`: (n, p) effects of the trees' inputs."""
        trees, memory = self.core.trees, found.memory
        level, losses = (1.0, 1.0) if trees is None else (trees.kept_level, trees.kept_losses)
        steps = (found.entries - base.entries)[..., : len(memory.level.parts)]
        both = steps[EntryColumn.TOTAL], steps[EntryColumn.PART]
        moves, parts = memory.level.moves(found.plans, found.rows, base.rows, both)
        fields, switch = memory.rules.effects(found.losses, base.losses, found.factors, base.factors)
        of_losses = losses * fields + memory.rules.told_effects(found.losses, base.losses)
        amounts, blanks = (found.losses - base.losses)[EntryColumn.TOTAL], found.blanks - base.blanks
        beside, moved = (level * moves, of_losses.T, losses * switch[None]), (parts, amounts.T, blanks.T)
        return self._division.effects(beside, moved, None if trees is None else trees.weight * bent.T)


def _mixtures(found: Lookup) -> Floats:
    """Return (2, n) means and variances of the effect of the level's blanks (see `Mixture`)."""
    return np.array([plan.mixture(row) for plan, row in zip(found.plans, found.rows, strict=True)]).T


def _chunks(rows: Sequence[Row], size: int) -> Iterator[Sequence[Row]]:
    return (rows[at : at + size] for at in range(0, len(rows), size))


def _joined(found: Sequence[tuple[Floats, ...]]) -> list[Any]:
    """Concatenate the batches of each array."""
    return list(found[0]) if len(found) == 1 else [np.concatenate(own) for own in zip(*found, strict=True)]
