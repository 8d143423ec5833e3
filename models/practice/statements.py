"""The types of the rules and spreads of common practice, which a fit uses as prior knowledge."""

from collections.abc import Mapping
from dataclasses import dataclass

from models.domain.parsing import Value
from models.domain.vocabulary import CHANNELS, FIELDS, Family, Field, Kind

SALE = "sale"

# What rules may name besides fields of an instrument: two facts from the catalogue, and the channel.
CONTEXT = (
    Field(
        "finish_share",
        Kind.NUMBER,
        Family.RARITY,
        "share of the finish",
        "share of the production that has the finish",
        low=0,
        high=1,
    ),
    Field(
        "edition_total",
        Kind.INTEGER,
        Family.RARITY,
        "size of the edition",
        "production total of the edition",
        low=1,
        high=10_000_000,
    ),
    Field("channel", Kind.TERM, Family.MARKET, "channel", "where it is sold", CHANNELS),
)
# Fields that rules must not name: their worth depends on the market, so only its evidence can tell it.
OF_A_MARKET = ("maker", "model", "edition", "year", "finish", "serial", "day", "date")
NAMEABLE: Mapping[str, Field] = {f.flat: f for f in (*FIELDS, *CONTEXT) if f.flat not in OF_A_MARKET}

# What a spread can be about: makers, models of one maker, editions of one model, years of manufacture, and
# years of manufacture within one model.
SPREADS = ("maker", "model", "edition", "year", "run")


@dataclass(frozen=True)
class Rule:
    """One rule of common practice: the ratio of the prices of two instruments that differ in some fields.

    `of`, `against`: flat field → value of the first and of the second instrument; both name the same fields.
    `low`, `high`: limits of the first price divided by the second; for most models the typical ratio lies
    between them. `as_if_sales`: the rule counts as much as this many sales. `kind`: "sale"; or "asking" or
    "offer" for a rule on such prices divided by closed ones, in one `channel` or in all (None), with `of` and
    `against` empty.
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
    """One statement of how far the typical prices of makers, models, editions or years differ.

    `of`: one of `SPREADS`. `factor`: two of three typical prices lie within this factor of the middle one;
    its log is one standard deviation.
    """

    name: str
    says: str
    of: str
    factor: float
    source: str


@dataclass(frozen=True)
class Practice:
    """All rules and spreads of common practice. `text`: the TOML text that they were read from, or ""."""

    rules: tuple[Rule, ...]
    text: str
    spreads: tuple[SpreadStatement, ...] = ()


NO_PRACTICE = Practice((), "")
