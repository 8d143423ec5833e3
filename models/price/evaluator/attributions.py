"""The attribution of a difference in value, between two rows of one key, to the players.

The level is a sum of games of few players, whose Shapley effects come from the values of all their hybrids.
The losses are a sum or a product over their fields, scaled by the switch. The trees are a sum of tables over
pairs of inputs. All three effects are exact, so they sum to the difference of the values. The effect of one
input of the trees is divided over its players by one rule: **it goes to the players that moved the input in
its overall direction, in proportion to how far each moved it.** So a field that is worse than in the other
row never gains by the trees, and no player gets more than the input's whole effect.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from models.price.core.basis import Floats, Ints
from models.price.evaluator.encoding import Values
from models.price.evaluator.inputs import padded
from models.price.evaluator.plan import Memory


class Attributions(NamedTuple):
    """The effects that explain n rows. `references`: the values of the players in each row's reference.

    `center`: (n,) medians of the references, in log. `effects`: (n, players) effects from reference to row.
    """

    references: Sequence[Values]
    center: Floats
    effects: Floats


class Division:
    """The division of the effects of the level, of the losses and of the trees' inputs over the players."""

    def __init__(self, memory: Memory) -> None:
        inputs, level, rules = memory.inputs, memory.level, memory.rules
        of_level = [position for _, position in level.movers]
        movers = [*of_level, *rules.positions, *inputs.blankable, *inputs.readers]
        # A summand of the level is moved by each of its players; every other source has one player.
        own: list[list[int]] = [[] for _ in level.parts]
        for at, (summand, _) in enumerate(level.movers):
            own[summand].append(at)
        own += [[at] for at in range(len(of_level), len(movers))]
        self._cells = padded([[at for s in some for at in own[s]] for some in inputs.sources], len(movers))
        self._readers, self._players = len(inputs.readers), len(memory.encoding.players)
        of_cells = [movers[at] if at < len(movers) else None for at in self._cells.ravel().tolist()]
        positions = [*of_level, *rules.positions, memory.switch]
        self._beside, self._whole = (
            _effects_of(some, self._players) for some in (positions, [*positions, *of_cells])
        )

    def effects(self, beside: Sequence[Floats], moved: Sequence[Floats], bent: Floats | None) -> Floats:
        """Return (n, players) effects, from arrays (…, n).

        `beside`: effects of the level's movers, of the loss fields and of the switch. `moved`: how far the
        level's movers move parts of the value, how far fields move their losses, and 1 or −1 for a player
        that became blank or known. `bent`: (p, n) effects of the trees' inputs, None without trees.
        """
        rows, own_effects, n = [*beside], self._beside, beside[0].shape[1]
        if bent is not None:
            own = (np.ones((self._readers, n)), np.zeros((1, n)))
            far = np.concatenate([*moved, *own]).take(self._cells, axis=0)
            rows.append(divided(far, bent).reshape(self._cells.size, n))
            own_effects = self._whole
        effects = np.concatenate([*rows, np.zeros((1, n))])
        # The sums run in order, so that they do not depend on the number of rows.
        return np.ascontiguousarray(np.add.accumulate(effects.take(own_effects, axis=0))[-1].T)


def divided(far: Floats, effect: Floats) -> Floats:
    """Divide effects of inputs (…) over m players by how far (m, …) each moved them into (m, …) shares."""
    if not len(far):
        return far
    net, size = np.add.accumulate(far)[-1], np.abs(far)
    along = size * (far * net > 0)
    total = np.add.accumulate(along)[-1]
    still = total == 0
    if effect[still].any():  # The moves cancel up to rounding, so they are weighed by size alone.
        along = np.where(still, size, along)
        total = np.add.accumulate(along)[-1]
        still = total == 0
    return np.asarray(effect * along / (total + still))


def _effects_of(players: Sequence[int | None], count: int) -> Ints:
    """Return (m, count) positions of each player's effects; the filler is the position after the last."""
    own: list[list[int]] = [[] for _ in range(count)]
    for at, player in enumerate(players):
        if player is not None:
            own[player].append(at)
    return padded(own, len(players))
