"""Items, their values and the feed in the database, on SQLite and on PostgreSQL, without the API."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import orjson
import pytest
from fakes import CATALOGUE, RATES, FakePriceModel
from sqlalchemy import Engine, insert, select

from models.domain.catalogue import read_catalogue
from models.domain.instrument import Instrument
from models.domain.money import Amount
from models.valuation.valuer import Valuer
from service.db.engine import reading, writing
from service.db.item_tables import ITEM_VALUES
from service.db.migrate import upgrade
from service.db.tables import KEYS
from service.errors import ItemDeletedError, UnknownRecordError
from service.inventory import feed, listing, records, valuing
from service.inventory.moves import Moves
from service.inventory.records import Item, Put

NOW = datetime(2026, 1, 2, 12, tzinfo=UTC)
DAY, LATER = date(2026, 1, 2), date(2026, 2, 2)
DAL = Instrument("Ostvik", "Dal")
# The fake model: e ** 8, less 0.05 at a dealer's; and the same in euros at 1.1 dollars.
AT_DEALER, AT_DEALER_EUR = "2835.57", "2577.80"


def _valuer(base: float = 8.0, version: str = "v1") -> Valuer:
    return Valuer(FakePriceModel(base), CATALOGUE, RATES, version)


@pytest.fixture
def stock(engine: Engine) -> Engine:
    """An empty stock, and a key."""
    upgrade(engine)
    key = {"id": "k", "label": "", "scopes": "inventory", "created": NOW}
    with writing(engine) as connection:
        connection.execute(insert(KEYS), [key])
    return engine


def _moves(valuer: Valuer) -> Moves:
    """The splitter of moves to this valuer's values; every other price model is gone."""
    return Moves(valuer, {}.get)


def _put(engine: Engine, *items: Item, valuer: Valuer | None = None, day: date = DAY) -> None:
    with writing(engine) as connection:
        feed.lock(connection)
        there = records.among(connection, [item.stock_number for item in items])
        puts = [Put(item, there.get(item.stock_number)) for item in items]
        records.write(connection, puts, "k", NOW)
        versions = [(item, before.version + 1 if before else 1) for item, before in puts]
        outcomes = valuing.value_items(valuer or _valuer(), versions, day)
        changes = {item.stock_number: feed.CHANGED if before else feed.CREATED for item, before in puts}
        valuing.keep(connection, outcomes, NOW, moves=_moves(valuer or _valuer()), changes=changes)


def _names(engine: Engine, today: date | None = None, **filters: Any) -> list[str]:
    with reading(engine) as connection:
        return [row.stock_number for row in connection.execute(listing.items_where(filters, today))]


def _feed(engine: Engine, after: int = 0) -> list[tuple[str, str, int]]:
    with reading(engine) as connection:
        found = feed.changes_after(connection, after, 100)
    return [(row.stock_number, row.last_change, row.position) for row in found]


def _history(engine: Engine) -> list[Any]:
    with reading(engine) as connection:
        return list(connection.execute(select(ITEM_VALUES).order_by(ITEM_VALUES.c.id)))


def test_an_item_is_valued_in_the_currency_of_its_asking_price_and_in_its_own_market(stock: Engine) -> None:
    both = {"cost": Amount("100.00", "USD"), "asking": Amount("3000.00", "EUR"), "channel": "dealer"}
    _put(stock, Item("A", DAL, **both), Item("B", DAL, cost=Amount("90", "EUR")), Item("C", DAL))
    with reading(stock) as connection:
        a, b, c = (records.shown(records.item_of(connection, name)) for name in "ABC")
    assert a["value"] == {"amount": AT_DEALER_EUR, "currency": "EUR"}
    assert a["valued_on"] == "2026-01-02" and a["price_model"] == "v1" and a["evidence"] == "many"
    assert [one["level"] for one in a["intervals"]] == [0.5, 0.8, 0.9, 0.95]
    assert b["value"] == {"amount": "2709.96", "currency": "EUR"}
    assert c["value"] == {"amount": "2980.96", "currency": "USD"}
    assert a["failure"] is None and a["detail"]["reasons"]


def test_each_change_has_the_next_position_and_an_item_stands_at_its_last(stock: Engine) -> None:
    _put(stock, Item("A", DAL), Item("B", DAL))
    assert _feed(stock) == [("A", "created", 1), ("B", "created", 2)]
    _put(stock, Item("A", DAL, status="sold"))
    assert _feed(stock) == [("B", "created", 2), ("A", "changed", 3)]
    with writing(stock) as connection:
        feed.lock(connection)
        records.delete(connection, records.item_of(connection, "B"), "k", NOW)
        feed.record(connection, [("B", feed.DELETED)])
    assert _feed(stock, after=3) == [("B", "deleted", 4)]
    with reading(stock) as connection:
        with pytest.raises(ItemDeletedError):
            records.item_of(connection, "B")
        with pytest.raises(UnknownRecordError):
            records.item_of(connection, "no\x00such")
    assert _names(stock) == ["A"]


def test_a_value_of_an_item_that_was_changed_meanwhile_is_left_out(stock: Engine) -> None:
    _put(stock, Item("A", DAL), Item("B", DAL))
    with reading(stock) as connection:
        rows = connection.execute(listing.items_where({})).all()
    outcomes = valuing.value_rows(_valuer(9.0, "v2"), rows, LATER)
    _put(stock, Item("A", DAL, channel="dealer"))
    with writing(stock) as connection:
        assert valuing.keep(connection, outcomes, NOW, moves=_moves(_valuer(9.0, "v2"))) == ["B"]
    with reading(stock) as connection:
        assert records.item_of(connection, "A").price_model == "v1"
        assert records.item_of(connection, "B").price_model == "v2"
    assert _feed(stock) == [("A", "changed", 3), ("B", "valued", 4)]
    assert [(row.stock_number, row.price_model) for row in _history(stock)] == [
        ("A", "v1"),
        ("B", "v1"),
        ("A", "v1"),
        ("B", "v2"),
    ]


def test_a_failure_leaves_the_last_value_and_is_told_once(stock: Engine) -> None:
    _put(stock, Item("A", DAL), Item("B", Instrument("Ostvik", "Fjell 2")))
    without = read_catalogue('[[model]]\nmaker = "Ostvik"\nname = "Dal"\nfirst_year = 1962\nlast_year = 1974')
    poorer = Valuer(FakePriceModel(9.0), without, RATES, "v2")
    for _ in range(2):
        with reading(stock) as connection:
            rows = [records.item_of(connection, "B")]
        with writing(stock) as connection:
            valuing.keep(connection, valuing.value_rows(poorer, rows, LATER), NOW, moves=_moves(poorer))
    with reading(stock) as connection:
        failed = records.shown(records.item_of(connection, "B"))
    assert failed["price_model"] == "v1" and failed["failure"]["field"] == "model"
    assert _feed(stock, after=2) == [("B", "valued", 3)]
    assert _names(stock, failed=True) == ["B"] and _names(stock, failed=False) == ["A"]


def test_filters(stock: Engine) -> None:
    fjell = Instrument("Ostvik", "Fjell 2")
    rare = fjell.but(edition="Solverv")
    _put(
        stock,
        Item("dear", DAL, asking=Amount("3280.00", "USD"), bought=date(2025, 12, 3)),  # 1.1003 of 2980.96
        Item("cheap", DAL, asking=Amount("2680.00", "USD"), bought=date(2025, 12, 2), channel="dealer"),
        Item("few", fjell, status="reserved"),
        Item("none", rare, status="sold"),
    )
    assert _names(stock, over_priced=10) == ["dear"] and _names(stock, over_priced=10.1) == []
    assert _names(stock, under_priced=5) == ["cheap"] and _names(stock, under_priced=6) == []
    assert _names(stock, status="in_stock") == ["cheap", "dear"]
    assert _names(stock, status=["sold", "reserved"], maker="OSTVIK", model="fjell 2") == ["few", "none"]
    assert _names(stock, evidence=["few", "none"]) == ["few", "none"]
    assert _names(stock, channel="dealer") == ["cheap"]
    assert _names(stock, bought_before="2025-12-03") == ["cheap"]
    assert _names(stock, today=DAY, aged=30) == ["cheap"] and _names(stock, today=DAY, aged=31) == []


def test_the_move_of_a_value_counts_from_the_last_value_up_to_a_day(stock: Engine) -> None:
    _put(stock, Item("A", DAL), Item("B", DAL), Item("C", DAL, cost=Amount("1", "EUR")))
    _put(stock, Item("D", DAL), day=LATER)
    with reading(stock) as connection:
        rows = [records.item_of(connection, name) for name in "AC"]
    with writing(stock) as connection:  # up by a tenth of the logarithm: 10.5%
        dearer = _valuer(8.1, "v2")
        valuing.keep(connection, valuing.value_rows(dearer, rows, LATER), NOW, moves=_moves(dearer))
    assert _names(stock, moved_by=10, moved_since="2026-01-02") == ["A", "C"]
    assert _names(stock, moved_by=11, moved_since="2026-01-02") == []
    assert _names(stock, moved_by=10, moved_since="2026-02-02") == []
    assert _names(stock, moved_by=0, moved_since="2026-01-01") == []
    # In another currency since: compared in dollars, by the rates of both days, which are one here.
    _put(stock, Item("B", DAL, cost=Amount("1", "JPY")), day=LATER)
    assert _names(stock, moved_by=1, moved_since="2026-01-02") == ["A", "C"]


def test_what_stands_needs_no_new_value(stock: Engine, tmp_path: Path) -> None:
    item = Item("A", DAL, asking=Amount("2980.96", "USD"))
    _put(stock, item)
    with reading(stock) as connection:
        row = records.item_of(connection, "A")
    assert records.says_the_same(row, item) and records.item_in(row) == item
    assert not records.says_the_same(row, replace(item, extra={"shelf": 1}))
    assert valuing.value_stands(row, replace(item, status="sold"), _valuer(), DAY)
    for other in (replace(item, channel="dealer"), replace(item, asking=Amount("1.00", "EUR"))):
        assert not valuing.value_stands(row, other, _valuer(), DAY)
    assert not valuing.value_stands(row, item, _valuer(version="v2"), DAY)
    assert not valuing.value_stands(row, item, _valuer(), LATER)
    assert row.asking_ratio == 1.0 and orjson.loads(row.extra) == {}
