"""Rules and spreads, as a price model starts from them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from models.domain.parsing import Value
from models.domain.vocabulary import CHANNELS, FIELDS, Family, Field, Kind

SALE = "sale"

# Numbers that stand for what a catalogue says, and the market: no fields of an instrument.
CONTEXT = (
    Field(
        "finish_share",
        Kind.NUMBER,
        Family.RARITY,
        "share of the finish",
        "share of the production that has the finish",
        (),
        0,
        1,
    ),
    Field(
        "edition_total",
        Kind.INTEGER,
        Family.RARITY,
        "size of the edition",
        "production total of the edition",
        (),
        1,
        10_000_000,
    ),
    Field("channel", Kind.TERM, Family.MARKET, "channel", "where it is sold", CHANNELS),
)
# These belong to one market: what they are worth is its evidence's to say.
OF_A_MARKET = ("maker", "model", "edition", "year", "finish", "serial", "day", "date")
NAMEABLE: Mapping[str, Field] = {f.flat: f for f in (*FIELDS, *CONTEXT) if f.flat not in OF_A_MARKET}

# A spread may speak of makers, a maker's models, a model's editions, years of manufacture, and years within a
# model's run.
SPREADS = ("maker", "model", "edition", "year", "run")


@dataclass(frozen=True)
class Rule:
    """One statement of common practice: what an instrument brings against one that differs in some fields.

    `of`, `against`: flat field → value of the first and the second instrument; both name the same fields.
    `low`, `high`: the first's price as a share of the second's, between which the middle of most models lies.
    `as_if_sales`: the rule is as strong as that many sales. `kind`: "sale"; or "asking" or "offer" for what
    such a price is against a closed one, with `of` and `against` empty: in this `channel`, or in all (None).
    """

    name: str
    says: str
    of: Mapping[str, Value]
    against: Mapping[str, Value]
    low: float
    high: float
    as_if_sales: float
    source: str
    kind: str
    channel: str | None


@dataclass(frozen=True)
class SpreadStatement:
    """One statement of how far typical prices differ before any evidence.

    `of`: one of `SPREADS`. `factor`: two of three lie within this factor of the middle: its log is one
    standard deviation.
    """

    name: str
    says: str
    of: str
    factor: float
    source: str


@dataclass(frozen=True)
class Practice:
    """All rules and spreads, with the text that they were read from; "" for none."""

    rules: tuple[Rule, ...]
    text: str
    spreads: tuple[SpreadStatement, ...] = ()


NO_PRACTICE = Practice((), "")
