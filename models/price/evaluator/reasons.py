"""Which player moved a value by how much, from one row to another of the same key.

The level is a sum of games of few players, counted at their corners; the losses are a sum or a product over
their fields, which the switch scales; the trees are a sum of tables over pairs of inputs. Each is exact, so
the effects sum to the difference of the values. An input's effect through the trees is divided over its
players by one rule: **it goes to those that moved the input in the direction in which it moved on the whole,
in proportion to how far each moved it.** So a field that is worse than the other row's never gains by the
trees, and none is given more than the input's whole effect.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from models.price.basis import Floats
from models.price.core import BLANKS, LOSS, Core, Input
from models.price.evaluator.encoding import Encoding, Values

if TYPE_CHECKING:
    from models.price.evaluator.evaluator import Found

Movers = list[tuple[int, float]]  # the places of players, and how far each moved an input


class Reasons(NamedTuple):
    """The values of n references, their (n,) medians, and (n, players) effects from them, in log."""

    references: Sequence[Values]
    center: Floats
    effects: Floats


class Blanks:
    """The inputs of the trees that count blank fields."""

    def __init__(self, encoding: Encoding, inputs: Sequence[Input]) -> None:
        self._places = [
            (at, [encoding.players.index(player) for player in encoding.players_of(one.columns)])
            for at, one in enumerate(inputs)
            if one.kind == BLANKS
        ]

    def counts(self, values: Values) -> list[tuple[int, float]]:
        """The place of each of these inputs, and the number of blanks."""
        return [(at, float([values[place] for place in places].count(None))) for at, places in self._places]

    def movers(self, values: Values, base: Values) -> list[tuple[int, Movers]]:
        """The place of each of these inputs, and who moved it."""
        return [
            (at, [(p, 1.0 if values[p] is None else -1.0) for p in places if _appears(values[p], base[p])])
            for at, places in self._places
        ]


def _appears(value: object, base: object) -> bool:
    """Whether one is blank and the other is not."""
    return (value is None) is not (base is None)


def effects_between(
    core: Core, inputs: Sequence[Input], blanks: Blanks, found: Found, base: Found, bent: Sequence[float]
) -> list[float]:
    """(players,) effects from a base to a row, in log. `bent`: (p,) effects of the trees' inputs."""
    rules, effects = found.memory.rules, [0.0] * len(found.values)
    moved: list[Movers] = [[] for _ in inputs]
    kept = core.trees.kept_level if core.trees else 1.0
    for at, move in found.plan.moves(found.level, base.level):
        effects[move.place] += kept * move.effect
        if at is not None and move.part:
            moved[at].append((move.place, move.part))
    fields, switch = rules.effects(found.losses, base.losses, found.scales.factors, base.scales.factors)
    share = core.trees.kept_losses if core.trees else 1.0
    of_losses = share * fields + rules.told_effects(found.losses, base.losses)
    for place, effect in zip(rules.places, of_losses.tolist(), strict=True):
        effects[place] += effect
    if found.plan.switch_place is not None:
        effects[found.plan.switch_place] += share * switch
    if any(bent):
        for at, movers in blanks.movers(found.values, base.values):
            moved[at] = movers
        for at, place, _ in found.plan.read:
            moved[at] = [(place, 1.0)]  # It is this player's alone.
        for one, movers, effect in zip(inputs, moved, bent, strict=True):
            if effect:
                who = _moved_losses(found, base, one.name) if one.kind == LOSS else movers
                for place, own in divided(who, effect):
                    effects[place] += own
    return effects


def divided(moved: Movers, effect: float) -> Movers:
    """An input's effect over the players that moved it, each with its share; see the module."""
    net = sum([far for _, far in moved])
    along = [(place, abs(far)) for place, far in moved if far * net > 0]
    if not along:  # They cancel but for rounding.
        along = [(place, abs(far)) for place, far in moved]
    total = sum([far for _, far in along])
    return [(place, effect * far / total) for place, far in along]


def _moved_losses(found: Found, base: Found, part: str) -> Movers:
    rules = found.memory.rules
    span = rules.span_of_part(part)
    trios = zip(rules.places[span], found.losses.amounts[span], base.losses.amounts[span], strict=True)
    return [(place, own - other) for place, own, other in trios if own != other]
