"""Which items a filter means: the same for the list, a revaluation and a portfolio."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, case, func, or_, select

from models.domain.names import normal
from service.db.item_tables import ITEM_VALUES, ITEMS

# Filters are a mapping from these names to what is asked for, as JSON has it; days are ISO 8601 text:
# status, channel, evidence: a list of words; maker, model: a name; over_priced, under_priced: per cent by
# which the asking price is above or below the value; bought_before: a day; aged: days since it was bought;
# moved_by: per cent by which the value moved, either way, since the day moved_since; failed: true or false.
Filters = Mapping[str, Any]


def items_where(filters: Filters, today: date | None = None) -> Select[Any]:
    """Select the items that all these filters let pass, by stock number; deleted ones never.

    `today`: the day from which `aged` counts back; needed for that alone.
    """
    query = select(ITEMS).where(ITEMS.c.deleted.is_(None)).order_by(ITEMS.c.stock_number)
    for name, wanted in filters.items():
        if name == "moved_by":
            query = query.where(_moved(wanted, filters["moved_since"]))
        elif name == "aged":
            if today is None:
                raise ValueError("the age of items counts from a day")
            query = query.where(ITEMS.c.bought < today - timedelta(days=wanted))
        elif name != "moved_since":
            query = query.where(_CONDITIONS[name](wanted))
    return query


def _words(column: ColumnElement[Any]) -> Callable[[Any], ColumnElement[bool]]:
    return lambda wanted: column.in_([wanted] if isinstance(wanted, str) else list(wanted))


_CONDITIONS: Mapping[str, Callable[[Any], ColumnElement[bool]]] = {
    "status": _words(ITEMS.c.status),
    "channel": _words(ITEMS.c.channel),
    "evidence": _words(ITEMS.c.evidence),
    "maker": lambda name: ITEMS.c.maker == normal(name),
    "model": lambda name: ITEMS.c.model == normal(name),
    "over_priced": lambda share: ITEMS.c.asking_ratio > 1 + share / 100,
    "under_priced": lambda share: ITEMS.c.asking_ratio < 1 - share / 100,
    "bought_before": lambda day: ITEMS.c.bought < date.fromisoformat(day),
    "failed": lambda wanted: ITEMS.c.failure.is_not(None) if wanted else ITEMS.c.failure.is_(None),
}


def _moved(share: float, since: str) -> ColumnElement[bool]:
    """Say whether the value is another than it was on a day: the last value up to that day, if there is one.

    Both are compared in the item's currency; if that changed meanwhile, in US dollars.
    """
    then, other = ITEM_VALUES.alias("then"), ITEM_VALUES.alias("other")
    last = (
        select(func.max(other.c.id))
        .where(other.c.stock_number == ITEMS.c.stock_number, other.c.valued_on <= date.fromisoformat(since))
        .correlate(ITEMS)  # a table two levels above is not found by itself
        .scalar_subquery()
    )
    now = case((then.c.currency == ITEMS.c.currency, ITEMS.c.amount), else_=ITEMS.c.amount * ITEMS.c.rate)
    before = case((then.c.currency == ITEMS.c.currency, then.c.amount), else_=then.c.amount * then.c.rate)
    far = or_(now > before * (1 + share / 100), now < before * (1 - share / 100))
    return select(then.c.id).where(and_(then.c.id == last, far)).exists()
