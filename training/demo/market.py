"""A demo market: its records and the true values behind them, the same for the same seed."""

from dataclasses import dataclass, fields
from datetime import date
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from models.domain.catalogue import Catalogue, read_catalogue
from models.domain.evidence import Evidence
from models.domain.instrument import Instrument
from models.domain.money import Rates
from models.domain.vocabulary import CHANNEL_NAMES
from training.demo.trade.events import Counts, Events, draw_events, kind_name
from training.demo.trade.prices import to_money
from training.demo.trade.records import instruments
from training.demo.trade.slips import SLIPS, recorded_twice, with_slips
from training.demo.world.catalogue_text import catalogue_text
from training.demo.world.names import SOURCES
from training.demo.world.natures import NATURES
from training.demo.world.truth import Truth
from training.demo.world.workshops import World, make_world
from training.rates import load_rates


@dataclass(frozen=True)
class Market:
    """One demo market: its records, its stock list and the true values behind them.

    `evidence` and `holdout` (later sales) have names as in the catalogue and are sorted by day. `stock` is a
    dealer's list of (id, instrument). `ids` names the events in the order of `events`: evidence, holdout,
    stock.
    """

    catalogue: Catalogue
    rates: Rates
    evidence: tuple[Evidence, ...]
    holdout: tuple[Evidence, ...]
    stock: tuple[tuple[str, Instrument], ...]
    ids: tuple[str, ...]
    events: Events
    truth: Truth

    @property
    def catalogue_toml(self) -> str:
        return self.catalogue.source

    @cached_property
    def log_value(self) -> dict[str, float]:
        """id → true log value (US dollars) on the event's day in its channel.

        It has no noise, no gap of an asking price or offer, and no quality that no field records.
        """
        return dict(zip(self.ids, self.events.log_value.tolist(), strict=True))

    @property
    def slips(self) -> dict[str, str]:
        """id → the recording mistake, for rows whose mistake no reader can detect."""
        return {self.ids[at]: SLIPS[self.events.slip[at]] for at in np.flatnonzero(self.events.slip)}

    @cached_property
    def effects(self) -> dict[str, NDArray[np.float64]]:
        """Field's CSV name → (events,) true log effect from the reference specimen, in the order of `ids`."""
        return self.truth.effects(self.events.specimens)


def make_market(
    seed: int,
    sales: int = 3000,
    nature: str = "house",
    later: int | None = None,
    askings: int | None = None,
    offers: int | None = None,
) -> Market:
    """Make the market of this seed. `nature`: one of `NATURES`, a set of price parameters.

    `sales`, `askings`, `offers`: their numbers in the evidence. `later`: the number of sales after it. Those
    left out are in proportion to `sales` (`Counts.of`). The world (catalogue, levels, index) depends on the
    seed alone. Raises ValueError for an unknown nature or no sales.
    """
    if nature not in NATURES:
        raise ValueError(f"nature: {nature!r} is not known; allowed: {', '.join(NATURES)}")
    if sales < 1:
        raise ValueError(f"sales: {sales} is not a number of sales; allowed: 1 or more")
    world = make_world(seed)
    truth = Truth(world, NATURES[nature])
    counts = Counts.of(sales, later, askings, offers)
    drawn = with_slips(draw_events(world, truth, seed, counts), counts, truth.nature.slips, seed)
    events = _in_order(drawn, counts)
    return _recorded(world, truth, events, counts, seed)


def _recorded(world: World, truth: Truth, events: Events, counts: Counts, seed: int) -> Market:
    rates = load_rates()
    ids = _ids(counts)
    specimens = instruments(world, events, seed)
    money = to_money(events, rates, seed)
    sources = np.random.default_rng([seed, 5]).choice(len(SOURCES), len(ids)).tolist()
    days = [date.fromordinal(d) for d in events.day.tolist()]
    rows = [
        Evidence(i, kind_name(k), d, price, currency, CHANNEL_NAMES[c], SOURCES[s], it)
        for i, k, d, (price, currency), c, s, it in zip(
            ids, events.kind.tolist(), days, money, events.channel.tolist(), sources, specimens, strict=True
        )
    ]
    rows = recorded_twice(rows, events)
    first, end = counts.evidence, counts.evidence + counts.later
    stock = tuple(zip(ids[end:], specimens[end:], strict=True))
    catalogue = read_catalogue(catalogue_text(world))
    return Market(catalogue, rates, tuple(rows[:first]), tuple(rows[first:end]), stock, ids, events, truth)


def _ids(counts: Counts) -> tuple[str, ...]:
    evidence = [f"R{n:06d}" for n in range(1, counts.evidence + 1)]
    later = [f"L{n:05d}" for n in range(1, counts.later + 1)]
    return (*evidence, *later, *(f"S{n:03d}" for n in range(1, counts.stock + 1)))


def _in_order(events: Events, counts: Counts) -> Events:
    """Sort the evidence by day, and the later sales by day; leave the stock list as it is."""
    first, end = counts.evidence, counts.evidence + counts.later
    order = np.arange(len(events.day))
    order[:first] = np.argsort(events.day[:first], kind="stable")
    order[first:end] = first + np.argsort(events.day[first:end], kind="stable")
    columns = {f.name: getattr(events, f.name)[order] for f in fields(Events) if f.name != "specimens"}
    return Events({name: values[order] for name, values in events.specimens.items()}, **columns)
