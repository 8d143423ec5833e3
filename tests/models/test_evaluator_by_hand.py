"""Values and effects of a small model against arithmetic in this file and every hybrid of two rows.

Six fields, one of which (the build) moves the scales of all losses; one loss is blank at times; trees see the
level of one part, two losses and the number of blanks.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import permutations
from typing import NamedTuple

import numpy as np
import pytest
from enumeration import enumerate_shapley
from forests import Split, forest_text, judge
from numpy.typing import NDArray
from plain import Plain

from models.price.core.backbone import BLANK, Backbone, Block, loss_of, scale_of
from models.price.core.basis import Levels, Linear, Ramps, Unknown
from models.price.core.core import BLANKS, LOSS, PART, Core, Input, Trees
from models.price.core.missing_losses import MissingLossModel
from models.price.core.pairs import PairTables
from models.price.core.posterior import nothing_known
from models.price.evaluator.encoding import Row
from models.price.evaluator.evaluator import Evaluator

Floats = NDArray[np.float64]
PLAYERS = ("maker", "size", "build", "wear", "dents", "tone")
ENCODING = Plain(
    {"maker": "a", "size": 1.0, "build": "p", "wear": 1.0, "dents": 0.0, "tone": 0.0},
    losses=("wear", "dents", "tone"),
    curved=frozenset({"size"}),
    typical=("size",),
)
MAKER, BUILD = Levels("maker", ("a", "b")), Levels("build", ("p", "q"))
BLOCKS = {
    Block("maker", (MAKER,), part="identity"): [0.5, -0.5, 0.0, 0.0],
    Block("maker by size", (MAKER, Linear("size", 0.0, 1.0)), part="identity"): [0.1, -0.2, 0.0, 0.0],
    Block("build", (BUILD,), part="identity"): [0.0, 0.6, 0.0, 0.0],
    Block("size", (Ramps("size", (0.0, 1.0, 3.0)),), part="size"): [0.3, 0.2],
    Block("size blank", (Linear("size_blank", 0.0, -1.0),), BLANK): [0.15],
    Block("wear", (Linear("wear", 0.0, 2.0, 0.6),), loss_of("condition"), part="condition"): [0.5],
    Block("wear unknown", (Unknown("wear"),), loss_of("condition"), part="condition"): [0.2],
    Block("dents", (Ramps("dents", (0.0, 1.0, 2.0), (0.4, 0.1)),), loss_of("condition"), part="condition"): [
        0.3,
        0.1,
    ],
    Block("tone", (Linear("tone", 0.0, 2.0, 0.5),), loss_of("originality"), part="tone"): [0.8],
    Block("condition by build", (BUILD,), scale_of("condition")): [0.0, -0.4, 0.0, 0.0],
    Block("originality by build", (BUILD,), scale_of("originality")): [0.1, 0.5, 0.0, 0.0],
}
THETA = np.concatenate([np.array(theta) for theta in BLOCKS.values()])
RULE = MissingLossModel(
    ("wear", "dents", "tone"),
    np.array([[0.0, 0.25, 0.5], [0.0, 0.3, 0.4], [0.0, 0.4, 0.8]]),
    np.array([0.3, 0.2, 0.1]),
    np.array([[0.0, 0.3, 0.1], [0.2, 0.0, 0.0], [0.05, 0.1, 0.0]]),
)
INPUTS = (
    Input("identity", PART),
    Input("condition", LOSS, sign=-1),
    Input("tone", LOSS, sign=-1),
    Input("unknown", BLANKS, ("wear", "dents"), -1),
)
TEXTS = (
    forest_text(
        [Split(0, 0.4, Split(1, 0.3, 0.2, -0.1), Split(1, 0.5, 0.7, 0.1)), Split(2, 0.42, 0.1, -0.3)], 4
    ),
    forest_text(
        [Split(1, 0.2, Split(2, 0.1, 0.3, 0.2), -0.4), Split(3, 0.5, Split(0, 0.0, 0.1, 0.6), -0.2)], 4
    ),
)
TREES = Trees(INPUTS, TEXTS, PairTables.from_text(TEXTS), weight=0.6, handed=0.15, handed_level=0.25)


class One(NamedTuple):
    """A row, and all its parts by the arithmetic of this file."""

    maker: str
    size: float | None
    build: str
    wear: float | None
    dents: float | None
    tone: float | None

    @property
    def row(self) -> Row:
        return ENCODING.row(**self._asdict())

    @property
    def identity(self) -> float:
        size = 1.0 if self.size is None else self.size
        own = 0.5 + 0.1 * size if self.maker == "a" else -0.5 - 0.2 * size
        return own + (0.6 if self.build == "q" else 0.0)

    @property
    def rest(self) -> float:
        size = 1.0 if self.size is None else self.size
        curve = 0.3 * min(max(size, 0.0), 1.0) + 0.2 * min(max(size - 1, 0.0), 2.0) / 2
        return 8.0 + curve - (0.15 if self.size is None else 0.0)

    @property
    def losses(self) -> tuple[float, float, float]:
        """Before any scale: of wear, dents and tone."""
        wear = 0.5 * 0.6 + 0.2 if self.wear is None else 0.5 * self.wear / 2
        dents = (
            0.3 * 0.4 + 0.1 * 0.1
            if self.dents is None
            else 0.3 * min(self.dents, 1) + 0.1 * min(max(self.dents - 1, 0), 1)
        )
        return wear, dents, 0.8 * (0.5 if self.tone is None else self.tone / 2)

    @property
    def scaled(self) -> float:
        wear, dents, tone = self.losses
        by_build = (0.0, 0.1) if self.build == "p" else (-0.4, 0.5)
        condition, originality = (math.exp(coefficient) for coefficient in by_build)
        return condition * (wear + dents) + originality * tone

    @property
    def told(self) -> float:
        fields, total = (self.wear, self.dents, self.tone), 0.0
        for f, mine in enumerate(fields):
            for g, other in enumerate(fields):
                if mine is None and other is not None:
                    known = float(np.interp(other, [0, 1, 2], RULE.losses[g]))
                    total -= RULE.weights[f, g] * (known - RULE.mean[g])
        return total

    @property
    def inputs(self) -> Floats:
        """The inputs of the trees; their losses are taken at the scales of the reference's build."""
        wear, dents, tone = self.losses
        blanks = float((self.wear is None) + (self.dents is None))
        return np.array([self.identity, wear + dents, math.exp(0.1) * tone, blanks])

    def beside(self, cap: float, trees: bool) -> float:
        """The value without the trees' part of it: 6/10 of 15% of the losses and of 25% of the level."""
        taken = self.scaled if math.isinf(cap) else cap * (1 - math.exp(-self.scaled / cap))
        kept, level = (1 - 0.6 * 0.15, 1 - 0.6 * 0.25) if trees else (1.0, 1.0)
        return level * (self.identity + self.rest) - kept * taken + self.told

    def value(self, cap: float, trees: bool) -> float:
        return self.beside(cap, trees) + (0.6 * float(forest(self.inputs[None])[0]) if trees else 0.0)


def forest(inputs: Floats) -> Floats:
    return np.asarray(np.mean([judge(text, inputs) for text in TEXTS], axis=0))


def evaluator_of(cap: float, trees: bool) -> Evaluator:
    backbone = Backbone(tuple(BLOCKS), THETA, 8.0, cap)
    core = Core(backbone, TREES if trees else None, nothing_known(len(THETA)), None, RULE)
    return Evaluator(core, ENCODING)


def hybrid(one: One, base: One, coalition: int) -> One:
    return One(
        *(
            own if coalition >> at & 1 else other
            for at, (own, other) in enumerate(zip(one, base, strict=True))
        )
    )


def expected_effects(one: One, base: One, cap: float, trees: bool) -> Floats:
    """(6,) the mean over all orders without trees, and the trees' effects divided by hand."""
    hybrids = [hybrid(one, base, coalition) for coalition in range(1 << len(PLAYERS))]
    effects = enumerate_shapley(lambda q: hybrids[q].beside(cap, trees), len(PLAYERS))
    if trees:
        moved = enumerate_shapley(lambda q: hybrids[q].identity, len(PLAYERS))
        steps = [own - other for own, other in zip(one.losses, base.losses, strict=True)]
        blank = [float(own is None) - float(other is None) for own, other in zip(one, base, strict=True)]
        movers = ([*moved], [0, 0, 0, *steps[:2], 0], [0, 0, 0, 0, 0, steps[2]], [0, 0, 0, *blank[3:5], 0])
        for effect, far in zip(0.6 * of_inputs(one.inputs, base.inputs), movers, strict=True):
            along = np.array([x if x * sum(far) > 1e-12 else 0.0 for x in far])
            if abs(effect) > 1e-12:
                effects += effect * along / along.sum()
    return effects


def of_inputs(x: Floats, r: Floats) -> Floats:
    effects = np.zeros(len(x))
    orders = list(permutations(range(len(x))))
    for order in orders:
        at = r.copy()
        for one in order:
            before = forest(at[None])[0]
            at[one] = x[one]
            effects[one] += forest(at[None])[0] - before
    return effects / len(orders)


def drawn(seed: int) -> tuple[One, One]:
    rng = np.random.default_rng(seed)

    def side() -> One:
        losses = [None if rng.random() < 0.3 else float(rng.choice([0, 0.5, 1, 1.5, 2])) for _ in range(3)]
        size = None if rng.random() < 0.3 else float(rng.choice([-1.0, 0.0, 0.6, 1.0, 2.5, 4.0]))
        return One(str(rng.choice(["a", "b"])), size, str(rng.choice(["p", "q"])), *losses)

    return side(), side()


PAIRS = [drawn(seed) for seed in range(30)]
KINDS = [(math.inf, False), (1.5, False), (math.inf, True), (1.5, True)]


@pytest.mark.parametrize(("cap", "trees"), KINDS)
def test_values_are_those_of_the_arithmetic(cap: float, trees: bool) -> None:
    ones = [one for pair in PAIRS for one in pair]
    found = evaluator_of(cap, trees).center([one.row for one in ones])
    assert found == pytest.approx([one.value(cap, trees) for one in ones], abs=1e-12)
    assert np.ptp(found) > 1


@pytest.mark.parametrize(("cap", "trees"), KINDS)
def test_effects_are_the_mean_over_all_hybrids_and_those_of_trees_go_by_the_rule(
    cap: float, trees: bool
) -> None:
    evaluator = evaluator_of(cap, trees)
    for one, base in PAIRS:
        found = evaluator.effects([one.row], [base.row])[0]
        assert found == pytest.approx(expected_effects(one, base, cap, trees), abs=1e-11)
        assert found.sum() == pytest.approx(one.value(cap, trees) - base.value(cap, trees), abs=1e-11)
        assert not found[[own == other for own, other in zip(one, base, strict=True)]].any()


def test_reasons_lead_from_the_reference_and_what_is_shared_is_handed_on_to_it() -> None:
    evaluator = evaluator_of(1.5, True)
    shared = Evaluator(evaluator.core, replace(ENCODING, shared=frozenset({"maker"})))
    one = One("b", 2.0, "q", 2.0, None, 1.0)
    for asked, base in (
        (evaluator, One("a", 1.0, "p", 1.0, 0.0, 0.0)),
        (shared, One("b", 1.0, "p", 1.0, 0.0, 0.0)),
    ):
        memory, row = asked._memory, [one.row]
        plans = [memory.plan(row[0])]
        found, places = memory.references(plans, row, memory.find(plans, row))
        assert [own.values for own in found] == [tuple(base)]
        # What is kept of the reference is what a row like it would have had.
        assert places.tolist() == memory.find(plans, [base.row]).tolist()
        effects = asked.effects([one.row], [base.row])[0]
        assert effects == pytest.approx(expected_effects(one, base, 1.5, True), abs=1e-11)
        assert (effects[0] == 0) == (asked is shared)
