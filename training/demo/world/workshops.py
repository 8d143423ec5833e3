"""The workshops of the demo world, drawn by seed: facts for the catalogue, and hidden price parameters."""

from dataclasses import dataclass
from datetime import date

import numpy as np

from models.price.core.basis import Floats, Ints
from training.demo.world.names import MAKERS, NamedEdition, NamedMaker, NamedModel

# Twelve years of evidence, then ten months of sales that a fit never sees.
MARKET_OPENS = date(2013, 9, 1)
EVIDENCE_ENDS = date(2025, 8, 31)
MARKET_CLOSES = date(2026, 6, 30)


@dataclass(frozen=True)
class WorldEdition:
    """One edition. `recorded`: its size by the records; `made`: its true size, which may be larger."""

    named: NamedEdition
    first_year: int
    last_year: int
    recorded: int
    made: int
    effect: float
    known_by: str  # CSV name of the part's field by which the edition is known: originality_pickups …


@dataclass(frozen=True)
class WorldModel:
    """One model: its recorded facts, and the hidden parameters of its price, in log."""

    maker: NamedMaker
    maker_index: int
    named: NamedModel
    first_year: int
    last_year: int
    shares: tuple[float, ...]  # per finish of the maker, in order; 0: not offered
    shares_known: bool
    finish_effects: tuple[float, ...]
    editions: tuple[WorldEdition, ...]
    popularity: float
    level: float
    standard_level: float  # the level in standard deviations from the market's mean
    year_slope: float  # loss per half of the production run
    year_bump: float
    weight_kg: float
    prototype: float  # gain of a prototype in addition to `Nature.prototype`
    custom_order: float
    wear_slope: float  # standard normal, like the next two; `Nature.slope_spread` scales it
    refinish_slope: float
    figure_slope: float

    @property
    def middle_year(self) -> int:
        return (self.first_year + self.last_year) // 2

    @property
    def common_finish(self) -> int:
        return int(np.argmax(self.shares))


@dataclass(frozen=True)
class World:
    """All models, how well each finish shows the wood, and the market's course by month."""

    models: tuple[WorldModel, ...]
    showing: tuple[tuple[float, ...], ...]  # (makers, finishes), −1 hides the figure, 1 shows it
    index: Floats  # (months,) log, 0 in the last month of evidence
    drifts: Floats  # (makers, months) log, on top of the index


def make_world(seed: int) -> World:
    """Make the world of this seed, the same for any number of specimens drawn from it."""
    rng = np.random.default_rng([seed, 1])
    makers = rng.normal(0.0, 0.5, len(MAKERS))
    levels = [makers[i] + rng.normal(0.0, 0.6) for i, maker in enumerate(MAKERS) for _ in maker.models]
    standard = (np.array(levels) - np.mean(levels)) / np.std(levels)
    models: list[WorldModel] = []
    for i, maker in enumerate(MAKERS):
        taste = rng.normal(0.0, 0.06, len(maker.finishes))
        for named in maker.models:
            z = float(standard[len(models)])
            models.append(_model(rng, i, maker, named, z, taste))
    showing = tuple(tuple(rng.uniform(-1, 1, len(m.finishes)).tolist()) for m in MAKERS)
    return World(tuple(models), showing, *_course(rng))


def _model(
    rng: np.random.Generator, i: int, maker: NamedMaker, named: NamedModel, z: float, taste: Floats
) -> WorldModel:
    first = int(rng.integers(1956, 1982))
    last = first + int(rng.integers(6, 20))
    shares = _shares(rng, len(maker.finishes))
    rarity = np.log(shares.max()) - np.log(np.maximum(shares, 0.02))
    effects = 0.09 * rarity + taste + rng.normal(0.0, 0.04, len(shares))
    return WorldModel(
        maker,
        i,
        named,
        first,
        last,
        tuple(shares.tolist()),
        bool(rng.random() < 0.85),
        tuple((effects - effects[np.argmax(shares)]).tolist()),
        tuple(_edition(rng, edition, first, last) for edition in named.editions),
        popularity=float(np.exp(rng.normal(0.0, 0.75))),
        level=float(np.log(3600.0) + 0.74 * z),
        standard_level=z,
        year_slope=float(rng.normal(0.13, 0.07)),
        year_bump=float(rng.normal(0.0, 0.06)),
        weight_kg=float(rng.uniform(3.0, 4.3)) + 0.5 * ("Bass" in named.name),
        prototype=float(rng.normal(0.0, 0.08)),
        custom_order=float(rng.normal(0.0, 0.06)),
        wear_slope=float(np.clip(rng.normal(), -2, 2)),
        refinish_slope=float(np.clip(rng.normal(), -2, 2)),
        figure_slope=float(np.clip(rng.normal(), -2, 2)),
    )


def _shares(rng: np.random.Generator, count: int) -> Floats:
    """Draw the shares of the finishes in hundredths: one clearly the commonest, the rarest sometimes 0."""
    falling = np.array([0.5, 0.22, 0.12, 0.08, 0.05, 0.03][:count])
    falling = np.round(falling * rng.uniform(0.8, 1.2, count) / falling.sum(), 2)
    if count > 4 and rng.random() < 0.4:
        falling[-1] = 0.0
    falling[0] = round(1.0 - falling[1:].sum(), 2)
    return np.asarray(falling[rng.permutation(count)])


def _edition(rng: np.random.Generator, named: NamedEdition, first: int, last: int) -> WorldEdition:
    start = int(rng.integers(first, last))
    recorded = int(np.exp(rng.uniform(np.log(15), np.log(800))))
    made = int(np.ceil(recorded * (1.0 + max(0.0, rng.normal(0.0, 0.06)))))
    premium = 0.16 - 0.11 * np.log(recorded / 300) + rng.normal(0.0, 0.12)
    effect = -float(rng.uniform(0.07, 0.25)) if named.marked else max(float(premium), 0.03)
    known_by = ("originality_pickguard", "originality_tailpiece", "originality_pickups")[rng.integers(3)]
    end = min(last, start + int(rng.integers(0, 4)))
    return WorldEdition(named, start, end, recorded, made, effect, known_by)


def _course(rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Draw the market's index by month and each maker's drift from it, both 0 when the evidence ends."""
    months = month_of(MARKET_CLOSES) + 2
    t = np.arange(months) / 12.0
    wave = rng.uniform(0.05, 0.10) * np.sin(2 * np.pi * (t / rng.uniform(8.0, 12.0) + rng.random()))
    index = rng.normal(0.03, 0.012) * t + wave + np.cumsum(rng.normal(0.0, 0.006, months))
    drifts = rng.normal(0.0, 0.010, (len(MAKERS), 1)) * t
    drifts = drifts + 0.03 * np.sin(2 * np.pi * (t / 7.0 + rng.random((len(MAKERS), 1))))
    end = month_of(EVIDENCE_ENDS)
    return index - index[end], drifts - drifts[:, end : end + 1]


def month_of(day: date) -> int:
    """Return the number of months from the month in which the market opened to that of this day."""
    return (day.year - MARKET_OPENS.year) * 12 + day.month - MARKET_OPENS.month


def market_level(world: World, maker: Ints, ordinal: Ints) -> Floats:
    """Return (n,) log level of each maker's market on each day (proleptic ordinals)."""
    t = np.clip((ordinal - MARKET_OPENS.toordinal()) / 30.4375, 0.0, len(world.index) - 1.0)
    left = np.minimum(t.astype(np.int64), len(world.index) - 2)
    share = t - left
    both = world.index[None, :] + world.drifts
    return np.asarray((1 - share) * both[maker, left] + share * both[maker, left + 1], np.float64)
