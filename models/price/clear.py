"""What each answer of the model is, written to be read: the definition that `models.price.fast` is held to.

It also answers for a core that cannot be looked up.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from models.catalogue import Catalogue
from models.instrument import Subject
from models.price.basis import Floats, Table
from models.price.core import Core
from models.price.explain import effects_between
from models.price.features import columns
from models.price.sides import Sides


class Spans(NamedTuple):
    """(n,) medians, and (n, levels) ends of the central ranges, in log.

    `effective`: (n,) the number of sales that would fix each value as well as all evidence does.
    """

    center: Floats
    low: Floats
    high: Floats
    effective: Floats


class Reasons(NamedTuple):
    """The n references, their (n,) medians, and (n, len(FACTORS)) effects that lead from them, in log."""

    references: tuple[Subject, ...]
    center: Floats
    effects: Floats


@dataclass(frozen=True)
class Clear:
    """A core over a catalogue. `reference`: gives a subject's reference."""

    core: Core
    catalogue: Catalogue
    reference: Callable[[Subject], Subject]

    def center(self, subjects: Sequence[Subject]) -> Floats:
        """(n,) medians, in log."""
        return self.core.center(columns(subjects, self.catalogue))

    def spans(self, subjects: Sequence[Subject], levels: Sequence[float]) -> Spans:
        """Medians and ranges of n ≥ 1 subjects."""
        return self._spans(columns(subjects, self.catalogue), levels)

    def explained(self, subjects: Sequence[Subject], levels: Sequence[float]) -> tuple[Spans, Reasons]:
        """The same, and the reasons."""
        references = tuple(self.reference(s) for s in subjects)
        table, base = columns(subjects, self.catalogue), columns(references, self.catalogue)
        sides = Sides(subjects, references, self.catalogue)
        sides.give(table, subject=True)
        sides.give(base, subject=False)
        effects = effects_between(self.core, sides)
        return self._spans(table, levels), Reasons(references, self.core.center(base), effects)

    def _spans(self, table: Table, levels: Sequence[float]) -> Spans:
        center, spread = self.core.center(table), self.core.spread
        posterior = self.core.posterior.variance(*self.core.backbone.jacobian(table))
        scale = spread.scale(table, center, posterior)
        low, high = (center[:, None] + scale[:, None] * ends for ends in spread.ends(levels))
        noise = spread.noise.variance(table, center)
        return Spans(center, low, high, noise / np.maximum(posterior, noise * LEAST_UNSURE))


# No value counts as surer than this share of a sale's noise variance: the count of sales needs an end.
LEAST_UNSURE = 1e-4
