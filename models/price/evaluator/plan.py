"""All that is kept of one key: its reference, its games and the scales of its losses."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import chain
from typing import Any, NamedTuple

from models.price.core import COLUMN, LOSS, NOT_KNOWN, PART, Core, Input
from models.price.evaluator.encoding import Encoding, Row, Values
from models.price.evaluator.level import Move, games_of, kept
from models.price.evaluator.losses import Losses, LossRules
from models.price.evaluator.pieces import Piece, Pieces, Products


class Level(NamedTuple):
    """The sums of a level's entries (`models.price.evaluator.level.Entry`). `keys`: of each game.

    `parts`: what each game adds to its part of the value.
    """

    keys: tuple[Any, ...]
    total: float
    parts: tuple[float, ...]
    prior: float
    noise: float
    at: list[int]
    weights: list[float]


class Scales(NamedTuple):
    """For one value of the switch, by family: the factor, and the piece that its logarithm is made of."""

    factors: tuple[float, ...]
    pieces: tuple[Piece, ...]


class Mixture(NamedTuple):
    """What a blank may turn out to be, against what it counts as: mean and variance of the effect, in log."""

    shift: float
    variance: float


class Plan:
    """One key. `reference`: a row of it. `products`: of the pieces of its rows. `inputs`: what trees see."""

    def __init__(
        self,
        core: Core,
        pieces: Pieces,
        rules: LossRules,
        encoding: Encoding,
        row: Row,
        inputs: Sequence[Input],
    ) -> None:
        self._core, self._pieces, self._encoding, self._rules = core, pieces, encoding, rules
        self.products = Products(pieces, rules.products)
        self.reference = Row(row.key, encoding.reference(row))
        self.games = games_of(core, pieces, encoding, self.reference)
        self._keyed = [(game.key_of, game.entries, game) for game in self.games]
        self._intercept = pieces.intercept()
        self._scales: dict[object, Scales] = {}
        self._mixtures: dict[Any, Mixture] = {}
        self._switch = _switch_of(core, encoding)
        self.switch_place = None if self._switch is None else encoding.players.index(self._switch)
        self.scales = self.scales_of(self.reference.values)
        self.losses = rules.of(self.reference.values)
        self._blankable = self._places_that_may_be_blank()
        self._input_of_game = _places([one.name if one.kind == PART else "" for one in inputs], self.games)
        self.read = _read(encoding, inputs)
        own = {at for at, _, _ in self.read}
        self._fixed = [
            self._column(one, self.reference.values) if one.kind == COLUMN and at not in own else 0.0
            for at, one in enumerate(inputs)
        ]
        # What comes back often is worth the product with all others.
        self.square = self.products.square if encoding.recurring else pieces.square
        # Input, part of the losses, and the scale of the reference's switch: no other player moves that.
        self._loss_inputs = [
            (at, part, self.scales.factors[rules.family_of_part[part]])
            for at, one in enumerate(inputs)
            for part, name in enumerate(rules.parts)
            if one.kind == LOSS and one.name == name
        ]

    def prepare(self, rows: Sequence[Values]) -> None:
        """Work out together what rows of these values need, for values that seldom come back."""
        for key_of, _, game in self._keyed:
            game.prepare([key_of(values) for values in rows])

    def level(self, values: Values) -> Level:
        """The level of a row of these values."""
        keys = tuple([key_of(values) for key_of, _, _ in self._keyed])
        entries = [
            found.get(key) or game.entry(key) for key, (_, found, game) in zip(keys, self._keyed, strict=True)
        ]
        total, part, prior, noise, at, weights = zip(*entries, strict=True) if entries else ((),) * 6
        one = self._intercept
        return Level(
            keys,
            sum(total) + one.total,
            part,
            sum(prior) + one.prior,
            sum(noise),
            [*chain.from_iterable(at), one.at],
            [*chain.from_iterable(weights), 1.0],
        )

    def inputs(
        self, values: Values, level: Level, losses: Losses, blanks: Sequence[tuple[int, float]]
    ) -> list[float]:
        """What the trees see of a row; `blanks`: the places of inputs that count blanks, and the counts."""
        out = self._fixed.copy()
        for place, _, one in self.read:
            out[place] = self._column(one, values)
        for at, amount in zip(self._input_of_game, level.parts, strict=True):
            if at is not None:
                out[at] += amount
        for at, part, factor in self._loss_inputs:
            out[at] = losses.parts[part] * factor
        for at, count in blanks:
            out[at] = count
        return out

    def moves(self, level: Level, base: Level) -> list[tuple[int | None, Move]]:
        """Every move of a player from a base's level to another, with the trees' input that it moves."""
        return [
            (at, move)
            for game, own, other, at in zip(
                self.games, level.keys, base.keys, self._input_of_game, strict=True
            )
            if own != other
            for move in game.moves(own, other)
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
            factors.append(math.exp(piece.total))
            pieces.append(piece)
        return Scales(tuple(factors), tuple(pieces))

    def mixture(self, values: Values, keys: tuple[Any, ...]) -> Mixture:
        """Of all blank players of the level together, as if they were independent. `keys`: of its games."""
        shift = variance = 0.0
        for place, games in self._blankable:
            if values[place] is None:
                key = (place, *[keys[game] for game in games])
                found = self._mixtures.get(key) or kept(
                    self._mixtures, key, self._mixed(values, place, games)
                )
                shift, variance = shift + found.shift, variance + found.variance
        return Mixture(shift, variance)

    def _mixed(self, values: Values, place: int, games: Sequence[int]) -> Mixture:
        def total(own: Values) -> float:
            return sum(self.games[game].entry(self.games[game].key_of(own)).total for game in games)

        player = self._encoding.players[place]
        answers = self._encoding.answers(Row(self.reference.key, values), player)
        start, mean, square = total(values), 0.0, 0.0
        for answer, chance in answers:
            effect = total((*values[:place], answer, *values[place + 1 :])) - start
            mean, square = mean + chance * effect, square + chance * effect * effect
        return Mixture(mean, max(square - mean * mean, 0.0))

    def _places_that_may_be_blank(self) -> list[tuple[int, list[int]]]:
        """Players of the level, and their games."""
        found: dict[int, list[int]] = {}
        for at, game in enumerate(self.games):
            for place in game.places:
                found.setdefault(place, []).append(at)
        return list(found.items())

    def _column(self, one: Input, values: Values) -> float:
        found = float(self._encoding.table(Row(self.reference.key, values), one.columns)[one.columns[0]][0])
        return NOT_KNOWN if math.isnan(found) else found


def _read(encoding: Encoding, inputs: Sequence[Input]) -> list[tuple[int, int, Input]]:
    """The place of each input that is a column of one player, that player's place, and the input.

    Raises ValueError for a column of two players: their shares in its effect would be anyone's guess.
    """
    found = []
    for at, one in enumerate(inputs):
        players = encoding.players_of(one.columns) if one.kind == COLUMN else ()
        if len(players) > 1:
            raise ValueError(f"the trees' column {one.name} depends on {' and '.join(players)}")
        if players:
            found.append((at, encoding.players.index(players[0]), one))
    return found


def _places(names: Sequence[str], games: Sequence[Any]) -> list[int | None]:
    """For each game the place of its part among the names, None where it is not there."""
    return [names.index(game.part) if game.part and game.part in names else None for game in games]


def _switch_of(core: Core, encoding: Encoding) -> str | None:
    """The one player that scales depend on, None where they depend on the key alone.

    Raises ValueError where there are two.
    """
    columns = [c for b in core.backbone.blocks if b.role.startswith("scale:") for c in b.columns]
    players = encoding.players_of(columns)
    if len(players) > 1:
        raise ValueError(f"the scales of losses depend on {' and '.join(players)}; one player is allowed")
    return players[0] if players else None
