"""Draw sales, asking prices and offers: their days, channels and prices, from the true price function."""

from dataclasses import dataclass

import numpy as np

from models.domain.vocabulary import CHANNEL_NAMES, KIND_NAMES
from models.price.core.basis import Floats, Ints
from training.demo.world.natures import CHANNEL_NOISE
from training.demo.world.specimens import Drawn, draw_specimens, later_life
from training.demo.world.truth import Truth
from training.demo.world.workshops import EVIDENCE_ENDS, MARKET_CLOSES, MARKET_OPENS, World

SALE, ASKING, OFFER, STOCK = 0, 1, 2, 3  # the first three are positions in KIND_NAMES
QUALITY = 0.045  # standard deviation of the quality that no field records, in log price
_NOISE = 0.083  # scale of a price's noise in log, Student's t with 5 degrees of freedom
_OUTLIERS = 0.005
# Kind of event → chances of the channels private, dealer, auction and online.
_CHANNELS = {SALE: (0.28, 0.27, 0.20, 0.25), ASKING: (0.18, 0.42, 0.03, 0.37), OFFER: (0.5, 0.3, 0.0, 0.2)}
_GAP = (0.20, 0.12, 0.08, 0.26)  # per channel: mean excess of an asking's gap over the least gap, in log
_LEAST_GAP = 0.05
_WILD_ASKINGS = 0.04  # share of asking prices at two to three times the value (common practice)


@dataclass(frozen=True)
class Counts:
    """The numbers of sales, askings, offers, later sales and stock items of a market."""

    sales: int
    askings: int
    offers: int
    later: int
    stock: int = 40

    @classmethod
    def of(
        cls, sales: int, later: int | None = None, askings: int | None = None, offers: int | None = None
    ) -> "Counts":
        """Return the counts; by default 4 askings per 3 sales, 1 offer per 5 sales, 1 later sale per 6."""
        return cls(
            sales,
            sales * 4 // 3 if askings is None else askings,
            sales // 5 if offers is None else offers,
            sales // 6 if later is None else later,
        )

    @property
    def kinds(self) -> Ints:
        """(n,) kind of every event: first the evidence, then later sales, then the stock list."""
        sizes = (self.sales, self.askings, self.offers, self.later, self.stock)
        return np.repeat(np.array([SALE, ASKING, OFFER, SALE, STOCK]), sizes)

    @property
    def evidence(self) -> int:
        return self.sales + self.askings + self.offers


@dataclass(frozen=True)
class Events:
    """n events. `specimens`: the true columns of their specimens; every other field is an array (n,).

    Values and prices are in log US dollars. `day`: proleptic ordinal. `channel`: position in `CHANNEL_NAMES`.
    `slip`: position in `training.demo.trade.slips.SLIPS`, 0 for an event without a mistake.
    """

    specimens: Drawn
    kind: Ints
    day: Ints
    channel: Ints
    log_value: Floats
    log_price: Floats
    slip: Ints


def draw_events(world: World, truth: Truth, seed: int, counts: Counts) -> Events:
    """Draw all events of a market, the same for the same seed."""
    rng = np.random.default_rng([seed, 2])
    kind = counts.kinds
    specimens = draw_specimens(world, rng, len(kind))
    day = _days(rng, counts)
    _repeats(rng, specimens, kind, day, counts)
    channel = np.zeros(len(kind), dtype=np.int64)
    for which, chances in _CHANNELS.items():
        at = np.flatnonzero(kind == which)
        channel[at] = rng.choice(4, len(at), p=chances)
    value = truth.log_value(specimens, day, channel)
    price = value + QUALITY * specimens["quality"] + _noise(rng, channel) + _gap(rng, kind, channel)
    return Events(specimens, kind, day, channel, value, price, np.zeros(len(kind), dtype=np.int64))


def _days(rng: np.random.Generator, counts: Counts) -> Ints:
    """Draw the days: evidence grows denser over the years, later sales follow, stock is on the last day."""
    opens, ends, closes = (d.toordinal() for d in (MARKET_OPENS, EVIDENCE_ENDS, MARKET_CLOSES))
    before = opens + (ends + 1 - opens) * rng.random(counts.evidence) ** 0.75
    after = ends + 1 + (closes - ends) * rng.random(counts.later)
    return np.asarray(np.floor(np.concatenate([before, after, np.full(counts.stock, closes)])), np.int64)


def _repeats(rng: np.random.Generator, c: Drawn, kind: Ints, day: Ints, counts: Counts) -> None:
    """Let some events be about the specimen of another sale: overwrite their columns with its columns."""
    sales = np.flatnonzero(kind == SALE)
    order = rng.permutation(sales)
    half = len(order) // 2
    seller, again = order[:half], order[half:]
    # Up to one sale in ten is of a specimen that was sold more than a year before.
    pairs = [(a, b) for a, b in zip(seller, again, strict=False) if day[b] > day[a] + 365]
    pairs = pairs[: len(sales) // 10]
    # Up to one asking price in eight is of a specimen that sells within the next 200 days.
    askings = np.flatnonzero(kind == ASKING)
    listed = list(zip(rng.permutation(seller[: counts.sales]), askings[::8], strict=False))
    listed = [
        (a, b) for a, b in listed if MARKET_OPENS.toordinal() + 200 < day[a] <= EVIDENCE_ENDS.toordinal()
    ]
    for a, b in listed:
        day[b] = day[a] - rng.integers(20, 200)
    for sources, drawn in ((pairs, later_life), (listed, None)):
        if sources:
            src, dst = np.array(sources).T
            part = {name: values[src] for name, values in c.items()}
            part = drawn(rng, part) if drawn else part
            for name, values in part.items():
                c[name][dst] = values


def _noise(rng: np.random.Generator, channel: Ints) -> Floats:
    scale = np.array([CHANNEL_NOISE[name] for name in CHANNEL_NAMES])[channel]
    noise = _NOISE * scale * rng.standard_t(5, len(channel))
    odd = rng.random(len(channel)) < _OUTLIERS
    return np.where(odd, rng.choice((-1.0, 1.0), len(channel)) * rng.uniform(0.35, 0.9, len(channel)), noise)


def _gap(rng: np.random.Generator, kind: Ints, channel: Ints) -> Floats:
    """Return (n,) log of price over value: above 0 for askings, below 0 for offers, 0 for other events."""
    n = len(kind)
    ask = _LEAST_GAP + np.minimum(rng.gamma(2.0, np.array(_GAP)[channel] / 2.0), 0.42)
    ask = np.where(rng.random(n) < _WILD_ASKINGS, np.log(rng.uniform(2.0, 3.0, n)), ask)
    # A dealer offers 0.6–0.65 of the resale price (common practice); others bargain.
    offer = np.where(channel == 1, np.log(rng.uniform(0.58, 0.67, n)), -rng.gamma(2.0, 0.09, n))
    return np.where(kind == ASKING, ask, np.where(kind == OFFER, offer, 0.0))


def kind_name(kind: int) -> str:
    """Return the kind of evidence as `models.domain.vocabulary` names it; "" for a stock item."""
    return KIND_NAMES[kind] if kind < len(KIND_NAMES) else ""
