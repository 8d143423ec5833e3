"""The reasons of a value: how far each player moved it, from one row to another of the same key.

The level is a sum of games of few players, counted at their corners; the losses are a sum or a product over
their fields, which the switch scales; the trees are a sum of tables over pairs of inputs. Each is exact, so
the effects sum to the difference of the values. An input's effect through the trees is divided over its
players by one rule: **it goes to those that moved the input in the direction in which it moved on the whole,
in proportion to how far each moved it.** So a field that is worse than the other row's never gains by the
trees, and none is given more than the input's whole effect.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from models.price.core.basis import Floats, Ints
from models.price.evaluator.encoding import Values
from models.price.evaluator.inputs import padded
from models.price.evaluator.plan import Memory


class Attributions(NamedTuple):
    """The values of n references, their (n,) medians, and (n, players) effects from them, in log."""

    references: Sequence[Values]
    center: Floats
    effects: Floats


class Division:
    """Divide the effects of the level, of the losses and of the trees' inputs over the players."""

    def __init__(self, memory: Memory) -> None:
        inputs, level, rules = memory.inputs, memory.level, memory.rules
        of_level = [position for _, position in level.movers]
        movers = [*of_level, *rules.positions, *inputs.blankable, *inputs.readers]
        # A summand is moved by each of its players; any other source has one.
        own: list[list[int]] = [[] for _ in level.parts]
        for at, (summand, _) in enumerate(level.movers):
            own[summand].append(at)
        own += [[at] for at in range(len(of_level), len(movers))]
        self._cells = padded([[at for s in some for at in own[s]] for some in inputs.sources], len(movers))
        self._readers, self._players = len(inputs.readers), len(memory.encoding.players)
        of_cells = [movers[at] if at < len(movers) else None for at in self._cells.ravel().tolist()]
        positions = [*of_level, *rules.positions, memory.switch]
        self._beside, self._whole = _rounds(positions), _rounds([*positions, *of_cells])

    def effects(self, beside: Sequence[Floats], moved: Sequence[Floats], bent: Floats | None) -> Floats:
        """(n, players) effects, from arrays (…, n).

        `beside`: effects of the level's movers, of the loss fields and of the switch. `moved`: how far the
        level's movers move its parts, and the fields their losses; 1 where one became blank, −1 where it no
        longer is. `bent`: (p, n) effects of the trees' inputs, None without trees.
        """
        rows, rounds, n = [*beside], self._beside, beside[0].shape[1]
        if bent is not None:
            own = (np.ones((self._readers, n)), np.zeros((1, n)))
            far = np.concatenate([*moved, *own]).take(self._cells, axis=0)
            rows.append(divided(far, bent).reshape(self._cells.size, n))
            rounds = self._whole
        effects, out = np.concatenate(rows), np.zeros((self._players, n))
        for players, positions in rounds:
            out[players] += effects.take(positions, axis=0)
        return np.ascontiguousarray(out.T)


def divided(far: Floats, effect: Floats) -> Floats:
    """(m, …) shares of inputs' effects (…), by how far (m, …) players moved each; see the module."""
    if not len(far):
        return far
    net, size = np.add.accumulate(far)[-1], np.abs(far)
    along = size * (far * net > 0)
    total = np.add.accumulate(along)[-1]
    still = total == 0
    if effect[still].any():  # They cancel but for rounding.
        along = np.where(still, size, along)
        total = np.add.accumulate(along)[-1]
        still = total == 0
    return np.asarray(effect * along / (total + still))


def _rounds(players: Sequence[int | None]) -> list[tuple[Ints, Ints]]:
    """Players and the positions of their effects, each player once in a round: so sums have one order."""
    count: dict[int, int] = {}
    rounds: list[tuple[list[int], list[int]]] = []
    for at, player in enumerate(players):
        if player is not None:
            turn = count.get(player, 0)
            if turn == len(rounds):
                rounds.append(([], []))
            rounds[turn][0].append(player)
            rounds[turn][1].append(at)
            count[player] = turn + 1
    return [(np.array(own), np.array(positions)) for own, positions in rounds]
