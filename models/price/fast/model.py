"""One row after the other, each a sum over what is remembered of its fields."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import chain
from typing import NamedTuple

import numpy as np

from models.catalogue import Catalogue
from models.instrument import Subject
from models.names import normal
from models.price.basis import Floats
from models.price.clear import LEAST_UNSURE, Reasons, Spans
from models.price.core import Core
from models.price.fast.level import NotStraightError, Values, check_level, remembered
from models.price.fast.losses import Losses, LossRules, check_losses
from models.price.fast.pieces import Pieces, Products
from models.price.fast.plan import BUILD, Level, Plan, Scales, check_scales
from models.price.features import years_of
from models.price.interface import FACTORS

_MOST_BYTES = 32 << 20  # of vectors; then all is forgotten and begun anew


class _Row(NamedTuple):
    """One subject's median and scale, in log, and the effective number of sales behind it."""

    center: float
    scale: float
    effective: float


class _Memory:
    """All that is remembered: whole, so that it can be forgotten while others still read it."""

    def __init__(self, core: Core) -> None:
        self.pieces = Pieces(core.backbone, core.posterior)
        self.rules = LossRules(core, self.pieces)
        self.plans: dict[tuple[str, str], Plan] = {}


class _Found(NamedTuple):
    memory: _Memory
    plan: Plan
    level: Level
    losses: Losses
    scales: Scales


class Fast:
    """What `models.price.clear.Clear` answers, row by row. The core must be one that `can_be_looked_up`."""

    def __init__(self, core: Core, catalogue: Catalogue, reference: Callable[[Subject], Subject]) -> None:
        self._core, self._catalogue, self._reference = core, catalogue, reference
        self._memory = _Memory(core)
        self._ends: dict[tuple[float, ...], tuple[Floats, Floats]] = {}

    def center(self, subjects: Sequence[Subject]) -> Floats:
        """(n,) medians, in log."""
        return np.array([_center(self._find(subject)) for subject in subjects])

    def spans(self, subjects: Sequence[Subject], levels: Sequence[float]) -> Spans:
        """Medians and ranges of n ≥ 1 subjects."""
        return self._spans([self._row(s, self._find(s)) for s in subjects], levels)

    def explained(self, subjects: Sequence[Subject], levels: Sequence[float]) -> tuple[Spans, Reasons]:
        """The same, and the reasons."""
        rows, references, centers, effects = [], [], [], []
        for subject in subjects:
            found = self._find(subject)
            base = found.plan.reference.instrument
            references.append(Subject(base, subject.day, subject.channel))
            centers.append(_base_center(found))
            effects.append(_effects(found))
            rows.append(self._row(subject, found))
        reasons = Reasons(tuple(references), np.array(centers), np.array(effects))
        return self._spans(rows, levels), reasons

    def _spans(self, rows: Sequence[_Row], levels: Sequence[float]) -> Spans:
        key = tuple(levels)
        ends = self._ends.get(key) or remembered(self._ends, key, self._core.spread.ends(key))
        center, scale, effective = np.array(rows).T
        low, high = (center[:, None] + scale[:, None] * end for end in ends)
        return Spans(center, low, high, effective)

    def _find(self, subject: Subject) -> _Found:
        memory = self._memory
        if memory.pieces.nbytes > _MOST_BYTES:
            memory = self._memory = _Memory(self._core)
        plan = memory.plans.get(_key(subject)) or self._plan(memory, subject)
        values: Values = (*subject.instrument.values(), subject.day, subject.channel)
        return _Found(
            memory, plan, plan.level(values), memory.rules.of(values), plan.scales_of(values[BUILD])
        )

    def _plan(self, memory: _Memory, subject: Subject) -> Plan:
        reference = self._reference(subject)
        losses = memory.rules.of((*reference.instrument.values(), None, None))
        products = Products(memory.pieces, memory.rules.products)
        plan = Plan(self._core, memory.pieces, products, self._catalogue, reference, losses)
        memory.plans[_key(subject)] = plan
        return plan

    def _row(self, subject: Subject, found: _Found) -> _Row:
        spread, center = self._core.spread, _center(found)
        noise = self._noise(found.level.noise, center)
        posterior = self._posterior(found)
        variance = noise + spread.posterior * posterior
        variance += spread.unknown * (found.level.hidden + found.losses.hidden)
        if spread.time:
            beyond = max(years_of(subject.day) - spread.last, 0.0)
            variance += spread.drift * min(beyond, 5.0)
        effective = noise / max(posterior, noise * LEAST_UNSURE)
        return _Row(center, math.sqrt(variance), effective)

    def _noise(self, log: float, center: float) -> float:
        noise = self._core.spread.noise
        z = min(max((center - noise.center) / noise.scale, -2.0), 2.0)
        log += noise.intercept
        for power, coefficient in enumerate(noise.value, 1):
            log += coefficient * z**power
        return math.exp(log)

    def _posterior(self, found: _Found) -> float:
        """The variance of the value: of what is known of its coefficients (`models.price.posterior`)."""
        rules, level, losses, scales = found.memory.rules, found.level, found.losses, found.scales
        slope = rules.slope(losses, scales.factors)
        prior, at, weights = level.prior, level.at, level.weights
        for span, loss, factor, piece, free in zip(
            rules.spans, losses.families, scales.factors, scales.pieces, scales.free, strict=True
        ):
            of_losses, of_scale = -slope * factor, -slope * loss * free
            prior += of_losses * of_losses * sum(losses.priors[span]) + of_scale * of_scale * piece.prior
            at += chain.from_iterable(losses.at[span])
            weights += [of_losses * weight for own in losses.weights[span] for weight in own]
            at.append(piece.at)
            weights.append(of_scale)
        return max(prior - found.plan.products.square(at, weights), 0.0)


def can_be_looked_up(core: Core) -> bool:
    """Whether every part of the core depends on few fields, or bends at known knots only."""
    try:
        check_level(core)
        check_losses(core)
        check_scales(core)
    except NotStraightError:
        return False
    return core.forest is None and core.spread.time in ("", "time")


def _center(found: _Found) -> float:
    return found.level.total + found.memory.rules.change(found.losses, found.scales.factors)


def _base_center(found: _Found) -> float:
    return found.level.base + found.memory.rules.change(found.plan.losses, found.plan.scales.factors)


def _effects(found: _Found) -> list[float]:
    plan, rules, effects = found.plan, found.memory.rules, [0.0] * len(FACTORS)
    for place, effect in chain.from_iterable(found.level.moves):
        effects[place] += effect
    fields, build = rules.effects(found.losses, plan.losses, found.scales.factors, plan.scales.factors)
    for place, effect in zip(rules.places, fields, strict=True):
        effects[place] += effect
    effects[BUILD] += build
    return effects


def _key(subject: Subject) -> tuple[str, str]:
    return normal(subject.instrument.maker), normal(subject.instrument.model)
