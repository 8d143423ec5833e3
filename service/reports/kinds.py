"""The types of value that a report can give: what each means, who says so, and where in the market it is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from typing import NamedTuple

from models.domain.evidence_snapshot import EvidenceSnapshot
from models.domain.instrument import Instrument
from models.domain.vocabulary import CHANNEL_NAMES, CHANNELS
from models.valuation.levels import MOST_LEVEL

OURS = "a definition of this report's own"


class ValueType(NamedTuple):
    """One type of value. `channel`: its market; None: where such items are mostly sold to the public."""

    label: str
    definition: str
    source: str
    channel: str | None
    figure: str


VALUE_TYPES: Mapping[str, ValueType] = {
    "fair_market_value": ValueType(
        "fair market value",
        "“The fair market value is the price at which the property would change hands between a willing "
        "buyer and a willing seller, neither being under any compulsion to buy or to sell and both having "
        "reasonable knowledge of relevant facts.” It is not a forced sale price, nor the price in a market "
        "other than that in which such an item is most commonly sold to the public, so it is never the price "
        "at which a dealer buys.",
        "United States, Treasury Regulations, section 20.2031-1(b) (26 CFR 20.2031-1(b))",
        None,
        "the price that half of such sales are expected to exceed, in the market named here",
    ),
    "retail_replacement": ValueType(
        "retail replacement value",
        "The price at which the instrument could be replaced, within a reasonable time, by one of the same "
        "model, edition, age, condition and originality, bought from a dealer.",
        OURS,
        "dealer",
        "the price that half of such sales by dealers are expected to exceed",
    ),
    "auction_estimate": ValueType(
        "auction estimate",
        "The range, from a low to a high amount, within which the price paid at a public auction, the "
        "buyer's premium included, is expected to lie in half of such sales; a quarter should be lower and a "
        "quarter higher.",
        OURS,
        "auction",
        "the two ends of the price model's 50% range at auction",
    ),
    "liquidation": ValueType(
        "liquidation value",
        "The price expected of a seller who must sell within a short time, at auction, to whoever is there. "
        "The evidence holds no forced sales, so the price is taken from the low end of all sales at auction: "
        "so small a share of them is expected to bring less, as the specialist has set and signs for.",
        OURS,
        "auction",
        "the price that only the stated share of such sales at auction are expected to stay below",
    ),
}
AUCTION_LEVEL = 0.5
# A level of the ranges reaches so far down at most; half would be the middle estimate itself.
LEAST_SHARE, MOST_SHARE = round(Decimal(1) - Decimal(str(MOST_LEVEL)), 4) / 2, Decimal("0.45")
MARKETS = {term.name: term.meaning for term in CHANNELS}
MARKET_LEVELS = {
    "private": "sales between private persons, without a trader in between",
    "dealer": "the retail market: what a member of the public pays to a dealer",
    "auction": "public auctions: what the buyer pays in all, the premium included",
    "online": "sales to the public on websites",
}


class MarketOfValue(NamedTuple):
    """The channel of a value, and why it is this one."""

    channel: str
    reason: str


def market_of(type_of_value: str, snapshot: EvidenceSnapshot, it: Instrument, day: date) -> MarketOfValue:
    """Return the market in which a type of value is found for this instrument, which is canonical.

    Of a fair market value it is the one in which most closed sales of the model took place up to that day;
    where the evidence has none of the model, in which most of all closed sales did.
    """
    found = VALUE_TYPES[type_of_value]
    if found.channel is not None:
        return MarketOfValue(found.channel, f"the definition names this market: {MARKETS[found.channel]}")
    of_model = _sales(snapshot, it, day)
    counted, whose = (of_model, "of this model") if of_model else (_sales(snapshot, None, day), "in all")
    if not counted:
        return MarketOfValue("private", "the evidence holds no closed sale: taken without one")
    channel = max(CHANNEL_NAMES, key=lambda name: counted[name])
    total, most = counted.total(), counted[channel]
    return MarketOfValue(
        channel,
        f"such items are most commonly sold to the public here: {most:,} of {total:,} closed sales {whose} "
        f"in the evidence up to that day were {MARKETS[channel]}",
    )


def _sales(snapshot: EvidenceSnapshot, it: Instrument | None, day: date) -> Counter[str]:
    """Return channel → the number of closed sales up to a day, of a model or (`it` is None) of all."""
    chosen = snapshot.days <= day.toordinal()
    chosen &= snapshot.codes["kind"] == snapshot.code("kind", "sale")
    if it is not None:
        chosen &= snapshot.codes["maker"] == snapshot.code("maker", it.maker)
        chosen &= snapshot.codes["model"] == snapshot.code("model", it.model)
    codes = snapshot.codes["channel"][chosen]
    return Counter(snapshot.words["channel"][int(code)] for code in codes)


def levels_of(type_of_value: str, share: Decimal | None) -> tuple[float, ...]:
    """Return the levels of the ranges that a report shows, with the one that its figures are read from.

    `share`: the share of sales that are expected to bring less than a liquidation value.
    """
    shown = (0.5, 0.8, 0.95)
    if type_of_value != "liquidation" or share is None:
        return shown
    return tuple(sorted({*shown, level_below(share)}))


def level_below(share: Decimal) -> float:
    """Return the level of the central range whose low end this share of the sales stays below."""
    return float(1 - 2 * share)
