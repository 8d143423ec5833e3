"""Which player moved a value by how much, from one row to another of the same key.

The level is a sum of games of few players, counted at their corners; the losses are a sum or a product over
their fields, which the switch scales; the trees are a sum of tables over pairs of inputs. Each is exact, so the
effects sum to the difference of the values. An input's effect through the trees is divided over its players by
one rule: **it goes to those that moved the input in the direction in which it moved on the whole, in proportion
to how far each moved it.** So a field that is worse than the other row's never gains by the trees, and none is
given more than the input's whole effect.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from models.price.basis import Floats
from models.price.core import BLANKS, LOSS, PART, Core, Input
from models.price.evaluator.encoding import Encoding, Row, Values

if TYPE_CHECKING:
    from models.price.evaluator.evaluator import Found


class Reasons(NamedTuple):
    """The values of n references, their (n,) medians, and (n, players) effects that lead from them, in log."""

    references: Sequence[Values]
    center: Floats
    effects: Floats


class InputsOf:
    """What the trees see of a row, and which player moved it."""

    def __init__(self, encoding: Encoding, inputs: Sequence[Input]) -> None:
        self._encoding, self.inputs = encoding, tuple(inputs)
        self.shared = [encoding.players.index(player) for player in encoding.shared]
        self._blanks = [
            [encoding.players.index(p) for p in encoding.players_of(one.columns)] for one in self.inputs
        ]
        self._fixed: dict[Any, dict[str, float]] = {}

    def of(self, found: Found) -> list[float]:
        """What every input is for a looked-up row."""
        losses = _loss_parts(found)
        return [self._one(found, at, one, losses) for at, one in enumerate(self.inputs)]

    def _one(self, found: Found, at: int, one: Input, losses: Mapping[str, float]) -> float:
        if one.kind == PART:
            return found.level.parts.get(one.name, 0.0)
        if one.kind == LOSS:
            return losses.get(one.name, 0.0)
        if one.kind == BLANKS:
            return float(sum(found.values[place] is None for place in self._blanks[at]))
        return self._column(found, one)

    def _column(self, found: Found, one: Input) -> float:
        key = found.plan.reference.key
        known = self._fixed.setdefault(key, {})
        if one.name not in known:
            table = self._encoding.table(Row(key, found.values), one.columns)
            known[one.name] = float(table[one.columns[0]][0])
        return known[one.name]

    def movers(
        self, found: Found, base: Found, moves: Sequence[tuple[str, int, float]]
    ) -> list[dict[int, float]]:
        """For every input the players that moved it from the base, by place, and how far each did."""
        out: list[dict[int, float]] = []
        for at, one in enumerate(self.inputs):
            moved: dict[int, float] = {}
            if one.kind == PART:
                for part, place, effect in moves:
                    if part == one.name:
                        moved[place] = moved.get(place, 0.0) + effect
            elif one.kind == LOSS:
                moved = _moved_losses(found, base, one.name)
            elif one.kind == BLANKS:
                for place in self._blanks[at]:
                    blank = (found.values[place] is None) - (base.values[place] is None)
                    if blank:
                        moved[place] = float(blank)
            out.append(moved)
        return out


def effects_between(core: Core, inputs: InputsOf, found: Found, base: Found, bent: Floats | None) -> Floats:
    """(players,) effects from a base to a row, in log. `bent`: (p,) effects of the trees' inputs."""
    rules, effects = found.memory.rules, np.zeros(len(found.values))
    moves = found.plan.moves(found.values, base.values)
    for _, place, effect in moves:
        effects[place] += effect
    fields, switch = rules.effects(found.losses, base.losses, found.scales.factors, base.scales.factors)
    share = core.trees.kept_losses if core.trees else 1.0
    effects[rules.places] += share * fields + rules.told_effects(found.losses, base.losses)
    if found.plan.switch_place is not None:
        effects[found.plan.switch_place] += share * switch
    if bent is not None:
        for moved, effect in zip(inputs.movers(found, base, moves), bent.tolist(), strict=True):
            for place, own in divided(moved, effect).items():
                effects[place] += own
    return effects


def divided(moved: Mapping[int, float], effect: float) -> dict[int, float]:
    """An input's effect over the players that moved it; see the module. `moved`: place → how far."""
    if not effect:
        return {}
    net = sum(moved.values())
    along = {place: far for place, far in moved.items() if far * net > 0}
    if not along:  # They cancel but for rounding.
        along = dict(moved)
    total = sum(abs(far) for far in along.values())
    return {place: effect * abs(far) / total for place, far in along.items()}


def _loss_parts(found: Found) -> dict[str, float]:
    """The scaled loss of every part, with the scale of the reference's switch: no other player moves it."""
    rules, factors = found.memory.rules, found.plan.scales.factors
    pairs = zip(rules.parts, found.losses.parts, rules.family_of_part, strict=True)
    return {part: amount * factors[family] for part, amount, family in pairs}


def _moved_losses(found: Found, base: Found, part: str) -> dict[int, float]:
    rules = found.memory.rules
    if part not in rules.parts:
        return {}
    span = rules.span_of_part(part)
    pairs = zip(rules.places[span], found.losses.amounts[span], base.losses.amounts[span], strict=True)
    return {place: own - other for place, own, other in pairs if own != other}
