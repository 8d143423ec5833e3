"""All that is kept of one key: its reference, its games and the scales of its losses."""

from __future__ import annotations

from itertools import chain
from typing import Any, NamedTuple

from models.price.backbone import MIN_SCALE
from models.price.core import Core
from models.price.evaluator.encoding import Encoding, Row, Values
from models.price.evaluator.level import Games, kept
from models.price.evaluator.losses import LossRules
from models.price.evaluator.pieces import Piece, Pieces, Products


class Level(NamedTuple):
    """The sums of a level's entries (`models.price.evaluator.level.Entry`); `parts`: totals by part."""

    total: float
    prior: float
    noise: float
    at: list[int]
    weights: list[float]
    parts: dict[str, float]


class Scales(NamedTuple):
    """For one value of the switch, by family: the factor, what it is made of, and 1 if that can move it."""

    factors: tuple[float, ...]
    pieces: tuple[Piece, ...]
    free: tuple[float, ...]


class Mixture(NamedTuple):
    """What a blank may turn out to be, against what it counts as: mean and variance of the effect, in log."""

    shift: float
    variance: float


class Plan:
    """One key. `reference`: a row of it. `products`: of the pieces of its rows."""

    def __init__(self, core: Core, pieces: Pieces, rules: LossRules, encoding: Encoding, row: Row) -> None:
        self._core, self._pieces, self._encoding = core, pieces, encoding
        self.products = Products(pieces, rules.products)
        self.reference = Row(row.key, encoding.reference(row))
        self._games = Games(core, pieces, encoding, self.reference)
        self._parts = [game.part for game in self._games.all]
        self._intercept = pieces.intercept()
        self._scales: dict[object, Scales] = {}
        self._mixtures: dict[Any, Mixture] = {}
        self._switch = _switch_of(core, encoding)
        self.switch_place = None if self._switch is None else encoding.players.index(self._switch)
        self.scales = self.scales_of(self.reference.values)
        self._blankable = [
            (place, player, [g for g in self._games.all if place in g.places])
            for place, player in enumerate(encoding.players)
            if any(place in game.places for game in self._games.all)
        ]

    def level(self, values: Values) -> Level:
        """The level of a row of these values."""
        entries = self._games.entries(values)
        total, prior, noise, at, weights = zip(*entries, strict=True) if entries else ((),) * 5
        parts: dict[str, float] = {}
        for part, amount in zip(self._parts, total, strict=True):
            parts[part] = parts.get(part, 0.0) + amount
        one = self._intercept
        return Level(
            sum(total) + one.total,
            sum(prior) + one.prior,
            sum(noise),
            [*chain.from_iterable(at), one.at],
            [*chain.from_iterable(weights), 1.0],
            parts,
        )

    def moves(self, values: Values, base: Values) -> list[tuple[str, int, float]]:
        """Part, player's place and effect of every player that moves the level from a base to these values."""
        return [
            (game.part, place, effect)
            for game in self._games.all
            for place, effect in game.moves(values, base)
        ]

    def scales_of(self, values: Values) -> Scales:
        """The scales of a row of these values."""
        at = self.switch_place
        switch = None if at is None else values[at]
        return self._scales.get(switch) or kept(self._scales, switch, self._scales_made(switch))

    def _scales_made(self, switch: Any) -> Scales:
        backbone, values = self._core.backbone, list(self.reference.values)
        if self.switch_place is not None:
            values[self.switch_place] = switch
        factors, pieces = [], []
        for family in backbone.families:
            places = backbone.places(f"scale:{family}")
            names = dict.fromkeys(c for at in places for c in backbone.blocks[at].columns)
            table = self._encoding.table(Row(self.reference.key, tuple(values)), tuple(names))
            piece = self._pieces.of(places, table)
            factors.append(max(1.0 + piece.total, MIN_SCALE))
            pieces.append(piece)
        return Scales(tuple(factors), tuple(pieces), tuple(float(f > MIN_SCALE) for f in factors))

    def mixture(self, values: Values) -> Mixture:
        """Of all blank players of the level together, as if they were independent."""
        shift = variance = 0.0
        for place, player, games in self._blankable:
            if values[place] is None:
                key = (place, *(values[at] for game in games for at in game.places))
                found = self._mixtures.get(key) or kept(
                    self._mixtures, key, self._mixed(values, place, player, games)
                )
                shift, variance = shift + found.shift, variance + found.variance
        return Mixture(shift, variance)

    def _mixed(self, values: Values, place: int, player: str, games: list[Any]) -> Mixture:
        answers = self._encoding.answers(Row(self.reference.key, values), player)
        start = sum(game.entry(values).total for game in games)
        mean = square = 0.0
        for answer, chance in answers:
            own = (*values[:place], answer, *values[place + 1 :])
            effect = sum(game.entry(own).total for game in games) - start
            mean, square = mean + chance * effect, square + chance * effect * effect
        return Mixture(mean, max(square - mean * mean, 0.0))


def _switch_of(core: Core, encoding: Encoding) -> str | None:
    """The one player that scales depend on, None where they depend on the key alone.

    Raises ValueError where there are two.
    """
    columns = [c for b in core.backbone.blocks if b.role.startswith("scale:") for c in b.columns]
    players = encoding.players_of(columns)
    if len(players) > 1:
        raise ValueError(f"the scales of losses depend on {' and '.join(players)}; one player is allowed")
    return players[0] if players else None
