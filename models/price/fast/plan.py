"""What is remembered of one model of the catalogue: its reference, its games and its scales."""

from __future__ import annotations

from itertools import chain
from operator import itemgetter
from typing import NamedTuple

from models.catalogue import Catalogue
from models.instrument import Subject
from models.price.backbone import MIN_SCALE
from models.price.core import Core
from models.price.fast.level import Entry, Game, NotStraightError, Values, games_of, moved, remembered
from models.price.fast.losses import Losses
from models.price.fast.pieces import Piece, Pieces, Products
from models.price.features import columns
from models.price.interface import FACTORS
from models.price.sides import players_of

BUILD = FACTORS.index("build")


class Level(NamedTuple):
    """The sums of a level's entries (`models.price.fast.level.Entry`), and the effects of each."""

    total: float
    base: float
    prior: float
    hidden: float
    noise: float
    at: list[int]
    weights: list[float]
    moves: tuple[tuple[tuple[int, float], ...], ...]


class Scales(NamedTuple):
    """For one build, by family: the factor on its losses, what it is made of, and 1 if that can move it."""

    factors: tuple[float, ...]
    pieces: tuple[Piece, ...]
    free: tuple[float, ...]


class Plan:
    """One model of the catalogue. `reference`: its typical specimen, on any day in any market.

    `losses`: the reference's. `scales`: those of its build. `products`: of its specimens' pieces.
    """

    def __init__(
        self,
        core: Core,
        pieces: Pieces,
        products: Products,
        catalogue: Catalogue,
        reference: Subject,
        losses: Losses,
    ) -> None:
        self._core, self._pieces, self._catalogue = core, pieces, catalogue
        self.reference, self.losses, self.products = reference, losses, products
        nobody, *games = (Game(core, pieces, catalogue, reference, players) for players in games_of(core))
        intercept, fixed = pieces.intercept(), nobody.entry(())
        self._fixed = fixed._replace(
            total=fixed.total + intercept.total,
            base=fixed.base + intercept.total,
            prior=fixed.prior + intercept.prior,
            at=(*fixed.at, intercept.at),
            weights=(*fixed.weights, 1.0),
        )
        self._games: list[tuple[itemgetter[object], dict[object, Entry], Game]] = [
            (itemgetter(*game.places), {}, game) for game in games
        ]
        self._scales: dict[object, Scales] = {}
        self.scales = self.scales_of(reference.instrument.build)

    def level(self, values: Values) -> Level:
        """The level of a subject of these values."""
        entries = [
            found.get(key := key_of(values)) or remembered(found, key, game.entry(values))
            for key_of, found, game in self._games
        ]
        total, base, prior, hidden, noise, at, weights, moves = zip(self._fixed, *entries, strict=True)
        return Level(
            sum(total),
            sum(base),
            sum(prior),
            sum(hidden),
            sum(noise),
            list(chain.from_iterable(at)),
            list(chain.from_iterable(weights)),
            moves,
        )

    def scales_of(self, build: object) -> Scales:
        """The scales of this build."""
        found = self._scales.get(build)
        return found or remembered(self._scales, build, self._scales_made(build))

    def _scales_made(self, build: object) -> Scales:
        backbone = self._core.backbone
        subject = moved(self.reference, {"build": build})  # type: ignore[dict-item]
        factors, pieces = [], []
        for family in backbone.families:
            # Without any block the scale is 1; some column is needed to know how many rows there are.
            table = columns([subject], self._catalogue, _scale_columns(self._core, family) or ("build",))
            factors.append(float(backbone.scale(family, table)[0]))
            pieces.append(self._pieces.of(backbone.places(f"scale:{family}"), table))
        free = (float(factor > MIN_SCALE) for factor in factors)
        return Scales(tuple(factors), tuple(pieces), tuple(free))


def _scale_columns(core: Core, family: str) -> tuple[str, ...]:
    blocks = (core.backbone.blocks[at] for at in core.backbone.places(f"scale:{family}"))
    return tuple(dict.fromkeys(column for block in blocks for column in block.columns))


def check_scales(core: Core) -> None:
    """Raises NotStraightError for a scale that depends on more than the model and the build."""
    for family in core.backbone.families:
        if set(players_of(_scale_columns(core, family))) - {"build"}:
            raise NotStraightError(f"the scale of {family}")
