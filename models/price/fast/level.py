"""The level of a value as games of few factors each: what they add, remembered by the factors' own values."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple, TypeVar

import numpy as np

from models.catalogue import Catalogue
from models.instrument import Subject, Value
from models.price.backbone import LEVEL
from models.price.basis import Table
from models.price.core import Core
from models.price.fast.curves import Curve, Share, is_straight, share_of
from models.price.fast.pieces import Pieces
from models.price.features import columns, years_of
from models.price.interface import FACTORS
from models.price.shapley import corner_game
from models.price.sides import players_of
from models.price.spread import hidden_variance
from models.vocabulary import BY_PATH

MOST_REMEMBERED = 256  # entries of one game: what callers send must not fill the memory
# Columns that take too many values to be remembered by each.
_CURVED = ("time", "weight", "figure", "log_number", "place")
# Of these, the ones that are a known field itself, and how it becomes their number.
_PLAIN: Mapping[str, Callable[[Any], float]] = {"weight": float, "figure": float, "time": years_of}
# What both sides of every pair share: the day and the market of the value.
_SHARED = ("day", "channel")
_PLACE = {path: at for at, path in enumerate(FACTORS)}

_T = TypeVar("_T")
Values = Sequence[Any]  # those of a subject, in the order of FACTORS


class NotStraightError(Exception):
    """The model has a part that cannot be looked up; it is answered by the clear path."""


class Entry(NamedTuple):
    """What a game adds for some values of its players.

    `total`, `base`: Σ θ·x with the players as they are and as the reference has them. `prior`: its prior
    variance. `hidden`: Σ variance of the effects of columns that are unknown. `noise`: its part of the log
    noise variance. `at`, `weights`: of its vectors. `effects`: place in FACTORS and effect, where there is
    one.
    """

    total: float
    base: float
    prior: float
    hidden: float
    noise: float
    at: tuple[int, ...]
    weights: tuple[float, ...]
    effects: tuple[tuple[int, float], ...]


class Game:
    """The level's blocks that depend on just these players, for one model of the catalogue.

    `reference`: the specimen that effects are counted from.
    """

    def __init__(
        self, core: Core, pieces: Pieces, catalogue: Catalogue, reference: Subject, players: Sequence[str]
    ) -> None:
        self._core, self._pieces, self._catalogue, self._reference = core, pieces, catalogue, reference
        self.players = tuple(players)
        self.places = tuple(_PLACE[p] for p in players)
        self._blocks = _by_curve(core, self.players)
        self._hidden = _of_players(core.spread.hidden, self.players)
        self._noise = _of_players(core.spread.noise.levels, self.players)
        blocks = core.backbone.blocks
        # What a curve stands on besides its own number; of the others, all.
        self._columns = {
            curved: tuple(dict.fromkeys(c for at in places for c in blocks[at].columns if c != curved))
            for curved, places in self._blocks.items()
        }
        own = (name for curved, names in self._columns.items() for name in (*names, curved) if name)
        self._names = tuple(dict.fromkeys((*own, *self._hidden, *self._noise)))
        self._corners: dict[tuple[object, ...], Entry] = {}
        self._plain: dict[tuple[object, ...], Share] = {}
        self._curves: dict[tuple[object, ...], Curve] = {}
        self._plain_curve = self._plain_curve_of()

    def entry(self, values: Values) -> Entry:
        """What it adds for a subject of these values."""
        if self._plain_curve is not None and values[self.places[0]]:  # 0 can mean that it is not known
            return self._on_curve(values[self.places[0]])
        own = [values[at] for at in self.places]
        base = [
            value if player in _SHARED else _value(self._reference, player)
            for player, value in zip(self.players, own, strict=True)
        ]
        corners = []
        for corner in range(1 << len(own)):
            key = tuple(
                o if corner >> bit & 1 else b for bit, (o, b) in enumerate(zip(own, base, strict=True))
            )
            corners.append(self._corners.get(key) or remembered(self._corners, key, self._at(key)))
        totals = np.array([[entry.total for entry in corners]])
        effects = zip(self.places, corner_game(totals)[0].tolist(), strict=True)
        return corners[-1]._replace(base=corners[0].total, effects=tuple(e for e in effects if e[1]))

    def _on_curve(self, value: Any) -> Entry:
        """The same for a known field that is the number of the one curve that the game has."""
        assert self._plain_curve is not None
        curve, number, base = self._plain_curve
        share = curve.at(number(value))
        # On the same day and in the same market as the subject, the reference has the same.
        start = share.total if self.players[0] in _SHARED else base
        effect = share.total - start
        moves = ((self.places[0], effect),) if effect else ()
        return Entry(share.total, start, share.prior, 0.0, 0.0, share.at, share.weights, moves)

    def _plain_curve_of(self) -> tuple[Curve, Callable[[Any], float], float] | None:
        if len(self.players) != 1 or self._noise or list(self._blocks) not in [[c] for c in _PLAIN]:
            return None
        (curved,) = self._blocks
        table = columns([self._reference], self._catalogue, self._names)
        base = self._share(curved, self._blocks[curved], table).total
        own = {column: table[column] for column in self._columns[curved]}
        return self._curve(curved, self._blocks[curved], own), _PLAIN[curved], base

    def _at(self, values: Sequence[Value]) -> Entry:
        subject = moved(self._reference, dict(zip(self.players, values, strict=True)))
        table = columns([subject], self._catalogue, self._names)
        shares = [self._share(curved, places, table) for curved, places in self._blocks.items()]
        return Entry(
            total=sum(share.total for share in shares),
            base=0.0,
            prior=sum(share.prior for share in shares),
            hidden=float(hidden_variance(self._hidden, table, 1)[0]),
            noise=sum(effects.get(table[column][0], 0.0) for column, effects in self._noise.items()),
            at=tuple(at for share in shares for at in share.at),
            weights=tuple(weight for share in shares for weight in share.weights),
            effects=(),
        )

    def _share(self, curved: str, places: Sequence[int], table: Table) -> Share:
        own = {column: table[column] for column in self._columns[curved]}
        key = (curved, *(values[0] for values in own.values()))
        if not curved:
            found = self._plain.get(key)
            return found or remembered(self._plain, key, share_of(self._pieces.of(places, table)))
        curve = self._curves.get(key) or remembered(self._curves, key, self._curve(curved, places, own))
        return curve.at(float(table[curved][0]))

    def _curve(self, curved: str, places: Sequence[int], table: Table) -> Curve:
        bases = [basis for at in places for basis in self._core.backbone.blocks[at].bases]
        return Curve(self._pieces, places, bases, curved, table)


def remembered(found: dict[Any, _T], key: object, entry: _T) -> _T:
    """The entry, kept under this key; where there are too many, all others are forgotten."""
    if len(found) >= MOST_REMEMBERED:
        found.clear()
    found[key] = entry
    return entry


def moved(reference: Subject, values: Mapping[str, Value]) -> Subject:
    """The reference with these factors as given."""
    flats = {BY_PATH[path].flat: value for path, value in values.items() if path in BY_PATH}
    day, channel = values.get("day", reference.day), values.get("channel", reference.channel)
    return Subject(reference.instrument.but(**flats), day, channel)  # type: ignore[arg-type]


def _value(subject: Subject, player: str) -> Value:
    return subject.instrument.get(BY_PATH[player])


def games_of(core: Core) -> list[tuple[str, ...]]:
    """The players of every game of the level; first that of nobody, which all specimens of a model share.

    A column of the spread that is in no block has players too; losses have their own tables.
    """
    blocks = (core.backbone.blocks[at].columns for at in core.backbone.places(LEVEL))
    spread = ((column,) for column in (*core.spread.noise.levels, *core.spread.hidden))
    found = dict.fromkeys([(), *map(players_of, (*blocks, *spread))])
    return [players for players in found if not any(map(is_loss, players))]


def check_level(core: Core) -> None:
    """Raises NotStraightError for a level or a noise that cannot be looked up."""
    blocks = [core.backbone.blocks[at] for at in core.backbone.places(LEVEL)]
    names = [*(block.columns for block in blocks), *((column,) for column in core.spread.noise.levels)]
    if any(is_loss(player) for columns in names for player in players_of(columns)):
        raise NotStraightError("a level or a noise that depends on a loss")
    for block in blocks:
        curved = [basis for basis in block.bases if basis.column in _CURVED]
        if len(curved) > 1 or not all(map(is_straight, curved)):
            raise NotStraightError(block.name)


def is_loss(player: str) -> bool:
    """Whether this factor is a loss of condition or originality."""
    return player in BY_PATH and BY_PATH[player].loss_ordered


def _of_players(by_column: Mapping[str, Any], players: tuple[str, ...]) -> dict[str, Any]:
    return {column: found for column, found in by_column.items() if players_of([column]) == players}


def _by_curve(core: Core, players: tuple[str, ...]) -> dict[str, list[int]]:
    """Curved column, "" for none → the blocks that depend on it and on just these players."""
    found: dict[str, list[int]] = {}
    for at in core.backbone.places(LEVEL):
        columns = core.backbone.blocks[at].columns
        if players_of(columns) == players:
            found.setdefault(next((c for c in columns if c in _CURVED), ""), []).append(at)
    return found
