"""Value many items together, by this request's bundle."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from typing import Any, NamedTuple, NoReturn

from sqlalchemy import Row

from models.costs import MOST_LEFT_OUT, MOST_PORTFOLIO
from models.decisions.portfolios.portfolio import Holding, Portfolio, portfolio_of
from models.domain.instrument import Subject
from models.domain.money import Amount, round_money
from models.errors import BookmatchError, Fault, InputError
from service.api.portfolios.requests import PortfolioRequest
from service.context import bundle, context, today
from service.db.engine import reading
from service.errors import FaultyRequestError
from service.faults import with_pointers
from service.inventory.listing import items_where
from service.inventory.records import Item, among, is_possible, item_in

_turn = threading.Lock()  # One at a time in a worker: many would keep the interpreter from short requests.


class Unvalued(NamedTuple):
    """An item that has no value in the portfolio, and why."""

    stock_number: str
    reason: str


class Held(NamedTuple):
    """A portfolio, and the items that were asked for and are not in it."""

    portfolio: Portfolio
    left_out: Sequence[Unvalued]

    @property
    def left_out_count(self) -> int:
        """Return the number of items that are left out."""
        return len(self.left_out)

    @property
    def shown(self) -> Sequence[Unvalued]:
        """The items left out that an answer names."""
        return self.left_out[:MOST_LEFT_OUT]


def make(wanted: PortfolioRequest) -> Held:
    """Value the items that are wanted. Raises FaultyRequestError if none of them can be valued."""
    rows, left_out = _rows(wanted)
    holdings = list[Holding]()
    for row in rows:
        item = item_in(row)
        try:
            holdings.append(_holding(item, wanted.currency, wanted.day))
        except BookmatchError as error:
            left_out.append(Unvalued(item.stock_number, str(error)))
    if not holdings:
        _refuse(wanted, "is empty: no item that it means can be valued", "see the list of items")
    valuer = bundle().valuer
    try:
        with _turn:
            found = portfolio_of(valuer, holdings, wanted.currency, wanted.levels, wanted.months)
    except InputError as error:
        raise FaultyRequestError(with_pointers(error.faults)) from None
    return Held(found, left_out)


def _rows(wanted: PortfolioRequest) -> tuple[list[Row[Any]], list[Unvalued]]:
    """Return the rows of the items by stock number, and those that are not there."""
    with reading(context().engine) as connection:
        if wanted.stock_numbers is None:
            query = items_where(wanted.filters, today()).limit(MOST_PORTFOLIO + 1)
            rows = list(connection.execute(query))
            if len(rows) > MOST_PORTFOLIO:
                _refuse(wanted, f"lets more than {MOST_PORTFOLIO:,} items pass", "narrow it")
            return rows, []
        found = among(connection, [one for one in wanted.stock_numbers if is_possible(one)])
    there = {name: row for name, row in found.items() if row.deleted is None}
    gone = [Unvalued(one, "There is no item with this stock number.") for one in wanted.stock_numbers]
    return [there[name] for name in sorted(there)], [one for one in gone if one.stock_number not in there]


def _refuse(wanted: PortfolioRequest, problem: str, step: str) -> NoReturn:
    name = "filter" if wanted.stock_numbers is None else "stock_numbers"
    raise FaultyRequestError(with_pointers([Fault(name, None, problem, "", step)]))


def _holding(item: Item, currency: str, day: date) -> Holding:
    subject = bundle().valuer.canonical(Subject(item.instrument, day, item.channel))
    return Holding(subject, item.bought, _money(item.cost, currency, day), _money(item.asking, currency, day))


def _money(amount: Amount | None, currency: str, day: date) -> Decimal | None:
    """Return an amount in another currency at the day's rate; None if it has no rate then."""
    if amount is None:
        return None
    valuer = bundle().valuer
    if amount.currency == currency:
        return Decimal(amount.amount)
    try:
        rate = valuer.rate(amount.currency, day) / valuer.rate(currency, day)
    except InputError:
        return None
    return round_money(Decimal(amount.amount) * Decimal(rate), currency)
