"""Values, ranges and reasons of rows: each row looked up, then all of them worked out together."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain
from typing import Any, NamedTuple

import numpy as np

from models.price.basis import Floats
from models.price.core import Core, Input
from models.price.evaluator.encoding import Encoding, Row, Values
from models.price.evaluator.level import kept
from models.price.evaluator.losses import Losses, LossRules
from models.price.evaluator.pieces import Pieces
from models.price.evaluator.plan import Level, Plan, Scales
from models.price.evaluator.reasons import Blanks, Reasons, effects_between
from models.price.lopsided import Bends, heavy_of
from models.price.spread import LEAST_UNSURE, Spread

_MOST_BYTES = 32 << 20  # of vectors; then all that is kept is forgotten and begun anew

_AT_ONCE = 64  # rows that are looked up together

_DIGITS = 9  # after the point, of what trees see


class Ranges(NamedTuple):
    """(n,) medians, and (n, levels) ends of the central ranges, in log.

    `effective`: (n,) the number of sales that would fix each value as well as all evidence does.
    """

    center: Floats
    low: Floats
    high: Floats
    effective: Floats


class Parts(NamedTuple):
    """The parts of n values and of their scales, (n,) each, all in log.

    `level`: with blanks. `taken`: what the losses take, before trees. `told`: what known losses say of
    unknown ones. `inputs`: (n, p) what the trees see. `noise`: the levels' part of the log noise variance.
    `unknown`: variance of the losses that are not known. `heavy`, `chance`: the two outcomes of these
    (`models.price.lopsided`). `shift`, `mixture`: mean and variance of what the level's blanks may be.
    `time`: in years.
    """

    level: Floats
    taken: Floats
    told: Floats
    inputs: Floats
    noise: Floats
    unknown: Floats
    heavy: Floats
    chance: Floats
    shift: Floats
    mixture: Floats
    time: Floats


class _Memory:
    """All that is kept: whole, so that it can be forgotten while others still read it."""

    def __init__(self, core: Core, encoding: Encoding) -> None:
        self.pieces = Pieces(core.backbone, core.posterior)
        self.rules = LossRules(core, self.pieces, encoding)
        self.plans: dict[Any, Plan] = {}


class Found(NamedTuple):
    """What was looked up for one row. `inputs`: what the trees see of it."""

    memory: _Memory
    plan: Plan
    values: Values
    level: Level
    losses: Losses
    scales: Scales
    inputs: list[float]


class Evaluator:
    """Answers for rows of one encoding. What is kept of a key is made when the key is first asked for."""

    def __init__(self, core: Core, encoding: Encoding, inputs: Sequence[Input] | None = None) -> None:
        """`inputs`: what trees are going to see, while the core has none."""
        self.core, self.encoding = core, encoding
        self._memory = _Memory(core, encoding)
        self._inputs = core.trees.inputs if core.trees else tuple(inputs or ())
        self._blanks = Blanks(encoding, self._inputs)
        self._shared = [encoding.players.index(player) for player in encoding.shared]
        self._bends: dict[tuple[float, ...], Bends] = {}

    def center(self, rows: Sequence[Row]) -> Floats:
        """(n,) medians, in log."""
        return self.center_of(self.parts(self.find_each(rows)))

    def ranges(self, rows: Sequence[Row], levels: Sequence[float]) -> Ranges:
        """Medians and ranges of n ≥ 1 rows."""
        return self._ranges(self.find_each(rows), levels)

    def explained(self, rows: Sequence[Row], levels: Sequence[float]) -> tuple[Ranges, Reasons]:
        """The same, and the reasons that lead from each row's reference to it."""
        found = self.find_each(rows)
        bases = [self._reference(one) for one in found]
        center = self.center_of(self.parts(bases))
        return self._ranges(found, levels), Reasons(
            [base.values for base in bases], center, self._effects(found, bases)
        )

    def effects(self, rows: Sequence[Row], bases: Sequence[Row]) -> Floats:
        """(n, players) Shapley effects, in log, from bases to rows of the same keys, pairwise."""
        return self._effects(self.find_each(rows), self.find_each(bases))

    def difference_variance(self, rows: Sequence[Row], others: Sequence[Row]) -> Floats:
        """(n,) variance, in log, of what is not known about the difference of two values, pairwise.

        What both share, the noise of a sale above all, is not in it; of the coefficients only those that
        differ are. A loss that one of them does not know counts with the variance of its effect, a blank of
        the level with that of what it may be. A single other stands beside every row.
        """
        spread = self._spread
        out = []
        for row, other in zip(rows, list(others) * (len(rows) if len(others) == 1 else 1), strict=True):
            one, two = self.find_each([row, other])
            (_, at, weights), (_, at2, weights2) = _vector(one), _vector(two)
            learned = one.memory.pieces.difference((at, weights), (at2, weights2))
            pairs = zip(one.losses.variances, two.losses.variances, strict=True)
            hidden = sum(abs(own - their) for own, their in pairs) + abs(
                one.plan.mixture(one.values, one.level.keys).variance
                - two.plan.mixture(two.values, two.level.keys).variance
            )
            out.append(spread.posterior * learned + hidden)
        return np.array(out)

    def covariance(self, rows: Sequence[Row]) -> Floats:
        """(n, n) covariance, in log, of what is not known about the coefficients of n ≥ 1 values."""
        memory = self._with_room()  # all in one, however full it gets
        found = [self._looked_up(memory, self._plan(memory, row), row.values) for row in rows]
        return self._spread.posterior * memory.pieces.covariance([_vector(one)[1:] for one in found])

    def noise_variance(self, rows: Sequence[Row]) -> Floats:
        """(n,) variance, in log, of a sale of each row around its value, were that known exactly."""
        parts = self.parts(self.find_each(rows))
        return self._spread.noise_variance(parts.noise, self.center_of(parts), parts.unknown, parts.mixture)

    def parts_of(self, rows: Sequence[Row]) -> Parts:
        """What the values and the scales of rows are made of."""
        return self.parts(self.find_each(rows))

    def parts(self, found: Sequence[Found]) -> Parts:
        """The same for looked-up rows."""
        rules = found[0].memory.rules
        columns = [self._row(one) for one in found]
        level, taken, noise, *others = np.array(columns).T
        told = rules.told(*(np.array([one.losses[side] for one in found]) for side in (1, 2)))
        return Parts(level, taken, told, self._seen(found), noise, *others)

    def center_of(self, parts: Parts) -> Floats:
        """(n,) medians, in log."""
        trees = self.core.trees
        if trees is None:
            return np.asarray(parts.level - parts.taken + parts.told)
        bent = trees.weight * trees.tables.predict(parts.inputs)
        level = trees.kept_level * parts.level
        return np.asarray(level - trees.kept_losses * parts.taken + parts.told + bent)

    def find(self, row: Row) -> Found:
        """What is kept of a row's fields, made where it is asked for the first time."""
        return self.find_each([row])[0]

    def find_each(self, rows: Sequence[Row]) -> list[Found]:
        """The same for many rows."""
        out: list[Found] = []
        for start in range(0, len(rows), _AT_ONCE):
            some, memory = rows[start : start + _AT_ONCE], self._with_room()
            if not self.encoding.recurring:
                for key in dict.fromkeys(row.key for row in some):
                    own = [row for row in some if row.key == key]
                    self._plan(memory, own[0]).prepare([row.values for row in own])
            out += [self._looked_up(memory, self._plan(memory, row), row.values) for row in some]
        return out

    def _with_room(self) -> _Memory:
        if self._memory.pieces.nbytes > _MOST_BYTES:
            self._memory = _Memory(self.core, self.encoding)
        return self._memory

    def _plan(self, memory: _Memory, row: Row) -> Plan:
        plan = memory.plans.get(row.key)
        if plan is None:
            plan = Plan(self.core, memory.pieces, memory.rules, self.encoding, row, self._inputs)
            memory.plans[row.key] = plan
        return plan

    def _looked_up(self, memory: _Memory, plan: Plan, row: Values, losses: Losses | None = None) -> Found:
        level = plan.level(row)
        losses = losses or memory.rules.of(row)
        inputs = plan.inputs(row, level, losses, self._blanks.counts(row)) if self._inputs else []
        return Found(memory, plan, row, level, losses, plan.scales_of(row), inputs)

    def _reference(self, found: Found) -> Found:
        """The row's reference, with what the row hands on to it."""
        base = list(found.plan.reference.values)
        for at in self._shared:
            base[at] = found.values[at]
        return self._looked_up(found.memory, found.plan, tuple(base), found.plan.losses)

    def _seen(self, found: Sequence[Found]) -> Floats:
        """(n, p) what trees see, rounded: equal inputs must not differ by the order of their sums."""
        return np.round(np.array([one.inputs for one in found]), _DIGITS)

    @property
    def _spread(self) -> Spread:
        if self.core.spread is None:
            raise ValueError("the core has no spread yet: fit it before asking for a range")
        return self.core.spread

    def _row(self, found: Found) -> tuple[float, ...]:
        losses, mixture = found.losses, found.plan.mixture(found.values, found.level.keys)
        unknown = sum(losses.variances)
        return (
            found.level.total,
            found.memory.rules.taken(losses, found.scales.factors),
            found.level.noise,
            unknown,
            *heavy_of(unknown, sum(losses.thirds)),
            mixture.shift,
            mixture.variance,
            self.encoding.time(found.values),
        )

    def _ranges(self, found: Sequence[Found], levels: Sequence[float]) -> Ranges:
        spread, parts = self._spread, self.parts(found)
        center = self.center_of(parts)
        posterior = np.array([_posterior(one) for one in found])
        noise = spread.noise.variance(parts.noise, center)
        scale = spread.scale(noise, posterior, parts.unknown, parts.mixture, parts.time)
        ends = self._bends_of(levels).at(parts.heavy / (scale * scale), parts.chance)
        reached = (center + parts.shift)[:, None] + scale[:, None] * ends
        low, high = reached[:, : len(levels)], reached[:, len(levels) :]
        effective = noise / np.maximum(posterior, noise * LEAST_UNSURE)
        # A blank counts as typical or worse, so the middle of what it may be can lie above the value.
        low, high = np.minimum(low, center[:, None]), np.maximum(high, center[:, None])
        return Ranges(center, low, high, effective)

    def _bends_of(self, levels: Sequence[float]) -> Bends:
        key = tuple(levels)
        return self._bends.get(key) or kept(self._bends, key, Bends(np.concatenate(self._spread.ends(key))))

    def _effects(self, found: Sequence[Found], bases: Sequence[Found]) -> Floats:
        trees, bent = self.core.trees, [[0.0] * len(self._inputs)] * len(found)
        if trees is not None:
            own, base = self._seen(found), self._seen(bases)
            bent = (trees.weight * trees.tables.effects(own, base)).tolist()
        trios = zip(found, bases, bent, strict=True)
        rows = [effects_between(self.core, self._inputs, self._blanks, *trio) for trio in trios]
        return np.array(rows)


def _vector(found: Found) -> tuple[float, list[int], list[float]]:
    """Prior variance of a row's value, and the places and weights of its pieces' vectors: its derivative."""
    rules, level, losses, scales = found.memory.rules, found.level, found.losses, found.scales
    slope = rules.slope(losses, scales.factors)
    prior, at, weights = level.prior, list(level.at), list(level.weights)
    for span, loss, factor, piece in zip(
        rules.spans, losses.families, scales.factors, scales.pieces, strict=True
    ):
        of_losses, of_scale = -slope * factor, -slope * loss * factor
        prior += of_losses * of_losses * sum(losses.priors[span]) + of_scale * of_scale * piece.prior
        at += chain.from_iterable(losses.at[span])
        weights += [of_losses * weight for own in losses.weights[span] for weight in own]
        at.append(piece.at)
        weights.append(of_scale)
    return prior, at, weights


def _posterior(found: Found) -> float:
    """The variance of the value: of what is known of its coefficients (`models.price.posterior`)."""
    prior, at, weights = _vector(found)
    return max(prior - found.plan.square(at, weights), 0.0)
