"""The evaluator's cache: `Memory` holds all of it, and a `Plan` holds the part for one key."""

import weakref
from collections.abc import Sequence
from operator import itemgetter
from typing import Any, NamedTuple

import numpy as np

from models.price.core.backbone import RoleKind, row_sums, scale_of
from models.price.core.basis import Floats, Ints
from models.price.core.core import Core, Input
from models.price.evaluator.encoding import Encoding, Row
from models.price.evaluator.inputs import Inputs
from models.price.evaluator.level import Level, kept
from models.price.evaluator.losses import LossRules
from models.price.evaluator.pieces import Covariances, EntryColumn, Ledger, Pieces


class Mixture(NamedTuple):
    """Mean `shift` and `variance`, in log, of the effect of a blank's true value minus its counted effect."""

    shift: float
    variance: float


class Memory:
    """The whole cache of an evaluator, one object that can be replaced while threads still read the old one.

    A row of `scales` is for one key and one value of the switch, the player that scales depend on. It holds
    the scale of each loss field, the same of the key's reference, for each family the piece of its log scale,
    and the inputs of the trees that the key decides. `levels`: column → level → its effect on the log noise
    variance; `noisy`: positions of the players that these columns depend on.
    """

    def __init__(self, core: Core, encoding: Encoding, inputs: Sequence[Input]) -> None:
        self.core, self.encoding = core, encoding
        self.pieces = Pieces(core.backbone, core.posterior)
        self.entries = Ledger(EntryColumn.COUNT)
        self.level = Level(core.backbone, self.pieces, self.entries, encoding)
        self.rules = LossRules(core, self.pieces, self.entries, encoding)
        # Two more positions, because `itemgetter` returns a tuple only for two or more.
        self._losses: Any = itemgetter(*self.rules.positions, 0, 0)
        self.inputs = Inputs(encoding, inputs, self.level, self.rules)
        self.intercept, self.intercept_at = core.backbone.intercept, self.pieces.intercept().at
        self.families = core.backbone.families
        self.scales = Ledger(2 * len(self.rules.positions) + len(self.families) + len(inputs))
        self.switch = _switch_of(core, encoding)
        self.plans: dict[Any, Plan] = {}
        self.shared = tuple(encoding.players.index(player) for player in encoding.shared)
        handed = [{position in self.shared for position in game.positions} for game in self.level.games]
        handed += [{position in self.shared} for position in self.rules.positions]
        self._handed = np.flatnonzero([own == {True} for own in handed])
        self._mixed = [at for at, own in enumerate(handed) if len(own) > 1]
        levels = core.spread.noise.levels if core.spread else {}
        self.levels = {column: effects for column, effects in levels.items() if effects}
        self.noisy = [encoding.players.index(p) for p in encoding.players_of(tuple(self.levels))]
        self.blankable: dict[int, list[int]] = {}
        for at, game in enumerate(self.level.games):
            for position in game.positions:
                self.blankable.setdefault(position, []).append(at)

    @property
    def nbytes(self) -> int:
        """The approximate number of bytes of the pieces and the ledgers, without those of the plans."""
        return self.pieces.nbytes + self.entries.nbytes + self.scales.nbytes

    def plan(self, row: Row) -> "Plan":
        """Return the plan of a row's key; make it on first use."""
        found = self.plans.get(row.key)
        if found is None:
            found = self.plans[row.key] = Plan(self, row)
        return found

    def find(self, plans: "Sequence[Plan]", rows: Sequence[Row]) -> Ints:
        """Return (n, games and loss fields) ledger positions of n rows' entries; make missing entries."""
        losses, readers = self._losses, self.rules.readers
        found = np.array(
            [
                [get(key_of(row.values), -1) for get, key_of in plan.readers]
                + [get(value, -1) for get, value in zip(readers, losses(row.values), strict=False)]
                for plan, row in zip(plans, rows, strict=True)
            ]
        )
        if found.min() < 0:
            count = len(self.level.games)
            found[:, :count] = self.level.filled(found[:, :count], plans, rows, range(count))
            found[:, count:] = self.rules.filled(found[:, count:], rows)
        return found

    def references(self, plans: "Sequence[Plan]", rows: Sequence[Row], found: Ints) -> tuple[list[Row], Ints]:
        """Return the references of rows, and the ledger positions of their entries.

        A reference has the values of its plan's reference, but the row's own values of shared players.
        """
        bases = []
        for plan, row in zip(plans, rows, strict=True):
            values = list(plan.reference.values)
            for at in self.shared:
                values[at] = row.values[at]
            bases.append(Row(row.key, tuple(values)))
        positions = np.array([plan.found for plan in plans])
        positions[:, self._handed] = found[:, self._handed]
        if self._mixed:
            positions[:, self._mixed] = self.level.find(plans, bases, self._mixed)
        return bases, positions

    def of(self, found: Ints) -> Floats:
        """Return the (entry columns, n, summands and loss fields) entries at positions from `find`."""
        count = len(self.level.games)
        positions = np.concatenate([self.level.positions(found[:, :count]), found[:, count:]], axis=1)
        return np.ascontiguousarray(self.entries.of(positions).transpose(2, 0, 1))


class Plan:
    """The cache of one key. `reference`: the reference row. `covariances`: of the pieces of the key's rows.

    `entries`: for each game, values of its players → ledger position of its first summand. `found`: ledger
    positions of the reference's entries. `moves`: cached effects of games with several players.
    """

    def __init__(self, memory: Memory, row: Row) -> None:
        # The memory holds its plans. Held in turn, it would stay with them, 30 MB of a price model that
        # serves no more, until Python looks for such circles.
        self._memory: Memory = weakref.proxy(memory)
        self.covariances = Covariances(memory.pieces, memory.rules.covariances)
        level, encoding = memory.level, memory.encoding
        self.entries: list[dict[Any, int]] = [{} for _ in level.games]
        self.readers = [(own.get, game.key_of) for own, game in zip(self.entries, level.games, strict=True)]
        self.moves: dict[Any, Any] = {}
        self._scales: dict[object, int] = {}
        self._noise: dict[tuple[Any, ...], float] = {}
        self._mixtures: dict[Any, Mixture] = {}
        self.reference = Row(row.key, encoding.reference(row))
        self._fixed = memory.inputs.fixed(self.reference)
        self.found: list[int] = memory.find([self], [self.reference])[0].tolist()

    def scale_of(self, row: Row) -> int:
        """Return the position of a row's scales in the ledger `Memory.scales`; make missing ones."""
        at = self._memory.switch
        switch = None if at is None else row.values[at]
        found = self._scales.get(switch)
        return kept(self._scales, switch, self._scale(switch)) if found is None else found

    def _scale(self, switch: Any) -> int:
        memory, values = self._memory, list(self.reference.values)
        if memory.switch is not None:
            values[memory.switch] = switch
        rows = (Row(self.reference.key, tuple(values)), self.reference)
        pieces = [[self._scale_piece(row, family) for family in memory.families] for row in rows]
        # A field without a loss has a scale of 0.
        factors = [[*np.exp(memory.pieces.sums.of(own)[:, 0]).tolist(), 0.0] for own in pieces]
        position = {family: at for at, family in enumerate((*memory.families, ""))}
        by_field = [own[position[family]] for own in factors for family in memory.rules.families]
        return memory.scales.extend(np.array([[*by_field, *pieces[0], *self._fixed]]))

    def _scale_piece(self, row: Row, family: str) -> int:
        backbone = self._memory.core.backbone
        positions = backbone.positions(scale_of(family))
        names = tuple(dict.fromkeys(c for at in positions for c in backbone.blocks[at].columns))
        table = self._memory.encoding.table([row], names)
        return self._memory.pieces.of_each(positions, table, 1)[0].at

    def noise(self, row: Row) -> float:
        """Return the sum of the level effects in a row's log noise variance."""
        key = tuple([row.values[at] for at in self._memory.noisy])
        found = self._noise.get(key)
        return kept(self._noise, key, self._levels(row)) if found is None else found

    def _levels(self, row: Row) -> float:
        levels = self._memory.levels
        table = self._memory.encoding.table([row], tuple(levels))
        return sum(effects.get(table[column][0], 0.0) for column, effects in levels.items())

    def mixture(self, row: Row) -> Mixture:
        """Return the mixture of all blank players of the level together, taking them as independent."""
        shift = variance = 0.0
        for position, games in self._memory.blankable.items():
            if row.values[position] is None:
                key = (position, *[self._memory.level.games[game].key_of(row.values) for game in games])
                found = self._mixtures.get(key) or kept(
                    self._mixtures, key, self._mixed(row, position, games)
                )
                shift, variance = shift + found.shift, variance + found.variance
        return Mixture(shift, variance)

    def _mixed(self, row: Row, position: int, games: Sequence[int]) -> Mixture:
        encoding, level = self._memory.encoding, self._memory.level
        answers = encoding.answers(row, encoding.players[position])
        if not answers:
            return Mixture(0.0, 0.0)
        own, values = [value for value, _ in answers], row.values
        rows = [row, *(Row(row.key, (*values[:position], value, *values[position + 1 :])) for value in own)]
        totals = row_sums(level.sums(self, rows, games)[..., 0]).tolist()
        mean = square = 0.0
        for total, (_, chance) in zip(totals[1:], answers, strict=True):
            effect = total - totals[0]
            mean, square = mean + chance * effect, square + chance * effect * effect
        return Mixture(mean, max(square - mean * mean, 0.0))


def _switch_of(core: Core, encoding: Encoding) -> int | None:
    """Return the position of the switch; None if the scales of losses depend on the key alone."""
    columns = [c for b in core.backbone.blocks if b.role.kind is RoleKind.SCALE for c in b.columns]
    players = encoding.players_of(columns)
    if len(players) > 1:
        raise ValueError(f"the scales of losses depend on {' and '.join(players)}; one player is allowed")
    return encoding.players.index(players[0]) if players else None
