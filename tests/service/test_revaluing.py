"""Revaluations: what they value, once; what begins them; and what another process goes on with."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import orjson
from apps import parts
from flask import Flask
from sqlalchemy import select, update
from stock_ground import (
    begin,
    change,
    count,
    item_row,
    promote,
    put,
    revaluation,
    stock_of,
    thing,
    things,
    today,
    values_of,
    why,
)

from service.db.engine import reading, writing
from service.db.item_tables import FEED, ITEM_VALUES, ITEMS, REVALUATIONS
from service.inventory.revaluing import begin_due, now_in_utc, run

MANY = 250  # items, in three chunks
HOUR = timedelta(hours=1)


def test_every_item_is_valued_once(stock_app: Flask) -> None:
    put(stock_app, things(MANY))
    began = begin(stock_app)
    assert run(stock_of(stock_app), rest=0)
    row = revaluation(stock_app, began)
    assert (row.state, row.total, row.done, row.failed) == ("done", MANY, MANY, 0)
    assert row.valued_on == today() and row.price_model == parts(stock_app).live.version
    for number in ("G-00000", "G-00099", "G-00100", "G-00249"):
        first, second = values_of(stock_app, number)
        assert (first.revaluation_id, second.revaluation_id) == (None, began)
        assert item_row(stock_app, number).valued_on == today()
    assert count(stock_app, ITEM_VALUES.c.revaluation_id == began) == MANY
    assert not run(stock_of(stock_app), rest=0)  # nothing waits any more


def test_followers_are_told_of_each_new_value(stock_app: Flask) -> None:
    put(stock_app, things(MANY))
    begin(stock_app)
    run(stock_of(stock_app), rest=0)
    assert count(stock_app, ITEMS.c.last_change == "valued") == MANY
    with reading(parts(stock_app).engine) as connection:
        positions = list(connection.execute(select(ITEMS.c.position).order_by(ITEMS.c.position)).scalars())
        last = connection.execute(select(FEED.c.position)).scalar_one()
    assert positions == list(range(MANY + 1, 2 * MANY + 1)) and last == 2 * MANY


def test_a_value_that_stands_is_not_kept_again(stock_app: Flask) -> None:
    put(stock_app, things(3), days_ago=0)
    began = begin(stock_app)
    run(stock_of(stock_app), rest=0)
    assert revaluation(stock_app, began).done == 3
    assert len(values_of(stock_app, "G-00000")) == 1
    assert item_row(stock_app, "G-00000").last_change == "created"


def test_only_the_items_of_the_filter_are_valued(stock_app: Flask) -> None:
    put(stock_app, [thing("A"), thing("B", "Dal"), thing("C")])
    change(stock_app, "C", status="sold")
    began = begin(stock_app, {"model": "fjell 2", "status": ["in_stock"]})
    run(stock_of(stock_app), rest=0)
    assert revaluation(stock_app, began).total == 1
    assert [len(values_of(stock_app, number)) for number in "ABC"] == [2, 1, 1]


def test_a_deleted_item_is_left_alone(stock_app: Flask) -> None:
    put(stock_app, things(2))
    change(stock_app, "G-00001", deleted=now_in_utc())
    began = begin(stock_app)
    run(stock_of(stock_app), rest=0)
    assert (revaluation(stock_app, began).total, revaluation(stock_app, began).done) == (1, 1)
    assert len(values_of(stock_app, "G-00001")) == 1


def test_an_item_that_cannot_be_valued_keeps_back_no_other(stock_app: Flask) -> None:
    put(stock_app, things(3))
    change(stock_app, "G-00001", instrument=orjson.dumps({"maker": "Ostvik", "model": "Nope"}).decode())
    began = begin(stock_app)
    run(stock_of(stock_app), rest=0)
    row = revaluation(stock_app, began)
    assert (row.state, row.done, row.failed) == ("done", 3, 1)
    assert "Nope" in item_row(stock_app, "G-00001").failure
    assert len(values_of(stock_app, "G-00002")) == 2


def test_a_new_price_model_is_why_a_value_moved(stock_app: Flask) -> None:
    """By hand: the fake gives exp(8) = 2980.96 dollars, then exp(8.05) = 3133.79."""
    put(stock_app, [thing("A", asking=None)])
    promote(stock_app, 8.05)
    begin(stock_app)
    run(stock_of(stock_app), rest=0)
    first, second = values_of(stock_app, "A")
    assert (first.before, first.why) == (None, "[]")
    assert orjson.loads(second.value) == {"amount": "3133.79", "currency": "USD"}
    assert orjson.loads(second.before) == {"amount": "2980.96", "currency": "USD"}
    assert why(second) == [("market", None, "0.00"), ("price_model", None, "152.83")]


def test_a_new_grade_is_named_beside_the_market(stock_app: Flask) -> None:
    """By hand: from exp(8) = 2980.96 three grades of .1 down to exp(7.7) = 2208.35."""
    put(stock_app, [thing("A", condition_neck=0.0)])
    worn = thing("A", condition_neck=3.0).columns()["instrument"]
    change(stock_app, "A", instrument=worn)
    begin(stock_app)
    run(stock_of(stock_app), rest=0)
    last = values_of(stock_app, "A")[-1]
    assert why(last) == [("market", None, "0.00"), ("field", "condition.neck", "-772.61")]
    assert Decimal("2980.96") - Decimal("772.61") == Decimal(orjson.loads(last.value)["amount"])


def test_where_the_old_price_model_is_gone_market_and_model_are_one_cause(stock_app: Flask) -> None:
    put(stock_app, [thing("A")])
    old = parts(stock_app).live.version
    promote(stock_app, 8.05)
    for file in (parts(stock_app).settings.store / "bundles" / str(old)).iterdir():
        file.unlink()
    begin(stock_app)
    run(stock_of(stock_app), rest=0)
    assert why(values_of(stock_app, "A")[-1]) == [("market_and_price_model", None, "152.83")]


def test_a_currency_that_changed_is_restated(stock_app: Flask) -> None:
    put(stock_app, [thing("A")])
    change(stock_app, "A", asking=orjson.dumps({"amount": "1800", "currency": "EUR"}).decode())
    begin(stock_app)
    run(stock_of(stock_app), rest=0)
    last = values_of(stock_app, "A")[-1]
    # 2980.96 dollars at 1.1 dollars for a euro, the rate of both days.
    assert orjson.loads(last.before) == {"amount": "2709.96", "currency": "EUR"}
    assert (last.restated_from, why(last)) == ("USD", [("market", None, "0.00")])


# ── what begins one ──────────────────────────────────────────────────────────


def test_a_new_price_model_begins_one_by_itself_once(stock_app: Flask) -> None:
    stock = stock_of(stock_app)
    assert begin_due(stock) is None  # no items
    put(stock_app, things(2))
    assert begin_due(stock) is None  # their values are of this price model
    first = parts(stock_app).live.version
    second = promote(stock_app, 8.05)
    began = begin_due(stock)
    assert began and begin_due(stock) is None
    row = revaluation(stock_app, began)
    assert (row.reason, row.price_model, row.filter, row.key_id) == ("price_model", second, "{}", None)
    run(stock, rest=0)
    assert begin_due(stock) is None
    # Going back to the first one is a change as well.
    parts(stock_app).live.registry.rollback(who="tests", why="again")
    parts(stock_app).live.look()
    assert parts(stock_app).live.version == first
    assert begin_due(stock) and begin_due(stock) is None


def test_the_schedule_begins_one_when_the_last_of_everything_is_old(stock_app: Flask) -> None:
    put(stock_app, things(2), days_ago=2)
    assert begin_due(stock_of(stock_app)) is None
    assert begin_due(stock_of(stock_app, 49 * HOUR)) is None  # the oldest item is two days old
    began = begin_due(stock_of(stock_app, 47 * HOUR))
    assert began and revaluation(stock_app, began).reason == "schedule"
    assert begin_due(stock_of(stock_app, 47 * HOUR)) is None
    earlier = now_in_utc() - 48 * HOUR
    with writing(parts(stock_app).engine) as connection:
        connection.execute(update(REVALUATIONS).values(created=earlier))
    begin(stock_app, {"status": ["sold"]})  # one of a part does not count
    assert begin_due(stock_of(stock_app, 47 * HOUR))
