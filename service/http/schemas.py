"""Members and options that the schemas of all API resources share."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from marshmallow import fields

from models.costs import LONGEST_PRICE, MOST_LEVELS
from models.domain.evidence import AMOUNT
from models.domain.money import NO_RATE_NEEDED
from models.valuation.levels import LEAST_LEVEL, MOST_LEVEL
from service.dumping import Converted, Text, described

# Days from 1900 to 2100, as `models.domain.cells` and `models.tables.stocklist` read them.
DAY: Mapping[str, Any] = {
    "format": "date",
    "pattern": r"^(19\d\d|20\d\d|2100)-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])$",
}
CURRENCY: Mapping[str, Any] = {"pattern": "^[A-Za-z]{3}$", "example": "EUR"}
PRICE: Mapping[str, Any] = {
    "type": ["string", "number"],
    "pattern": f"^{AMOUNT.pattern}$",
    "maxLength": LONGEST_PRICE,
    "minimum": 0.01,
    "maximum": 1e12,
}
LEVELS: Mapping[str, Any] = {
    "items": {"type": "number", "minimum": LEAST_LEVEL, "maximum": MOST_LEVEL},
    "minItems": 1,
    "maxItems": MOST_LEVELS,
}


def money(text: str, *, required: bool = True, optional: bool = False, attribute: str | None = None) -> Text:
    """Return a member for an amount of money, which is decimal text, so that no reader makes it a float."""
    options = described(text, optional=optional, pattern=r"^-?\d+(\.\d+)?$")
    return Text(str, attribute=attribute, **{**options, "required": required})


def rate_members(*, required: bool = True, of: str = "rate_") -> dict[str, fields.Field[Any]]:
    """Return the members of an answer that name the exchange rate behind its amounts.

    `of`: the prefix of the object's attributes `day` and `source`.
    """
    day = "the day of the exchange rate; for US dollars, which need none, the day of the value"
    source = f"who published that rate; for US dollars “{NO_RATE_NEEDED}”"
    return {
        "rate_day": fields.Date(attribute=f"{of}day", **{**described(day), "required": required}),
        "rate_source": fields.String(attribute=f"{of}source", **{**described(source), "required": required}),
    }


def provisional_member(attribute: str | None = None) -> fields.Boolean:
    """The member by which an answer says whether the price model that it names is provisional."""
    text = "whether that price model is provisional: it has not yet passed the gate"
    return fields.Boolean(attribute=attribute, **described(text))


def moment(at: datetime) -> str:
    """Format a moment in UTC for an answer: ISO 8601 with milliseconds and Z."""
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Moment(Converted, fields.DateTime):
    """A moment in UTC."""

    def convert(self, value: datetime) -> str:
        """Return the moment as text."""
        return moment(value)
