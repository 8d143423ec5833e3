"""Revaluations: what they value, once; what begins them; and what another process goes on with."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import orjson
import pytest
from apps import NewDatabase, make_app, parts
from flask import Flask
from sqlalchemy import func, select, update
from stock_ground import (
    change,
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
from service.inventory import revaluations, revaluing
from service.inventory.revaluing import begin_due, now_in_utc, run

MANY = 250  # items, in three chunks
HOUR = timedelta(hours=1)


@pytest.fixture
def app(store: Path, backend: str, new_database: NewDatabase) -> Iterator[Flask]:
    """An application on a store and a database of its own, whose revaluations run when a test says so."""
    app = make_app(store, new_database(backend))
    yield app
    parts(app).engine.dispose()


def begin(app: Flask, filters: Any = revaluations.EVERYTHING, reason: str = revaluations.ASKED) -> str:
    with writing(parts(app).engine) as connection:
        return revaluations.begin(connection, filters, reason, now_in_utc())


def count(app: Flask, what: Any) -> int:
    with reading(parts(app).engine) as connection:
        return int(connection.execute(select(func.count()).where(what)).scalar_one())


def test_every_item_is_valued_once(app: Flask) -> None:
    put(app, things(MANY))
    began = begin(app)
    assert run(stock_of(app), rest=0)
    row = revaluation(app, began)
    assert (row.state, row.total, row.done, row.failed) == ("done", MANY, MANY, 0)
    assert row.valued_on == today() and row.price_model == parts(app).live.version
    for number in ("G-00000", "G-00099", "G-00100", "G-00249"):
        first, second = values_of(app, number)
        assert (first.revaluation_id, second.revaluation_id) == (None, began)
        assert item_row(app, number).valued_on == today()
    assert count(app, ITEM_VALUES.c.revaluation_id == began) == MANY
    assert not run(stock_of(app), rest=0)  # nothing waits any more


def test_followers_are_told_of_each_new_value(app: Flask) -> None:
    put(app, things(MANY))
    begin(app)
    run(stock_of(app), rest=0)
    assert count(app, ITEMS.c.last_change == "valued") == MANY
    with reading(parts(app).engine) as connection:
        positions = list(connection.execute(select(ITEMS.c.position).order_by(ITEMS.c.position)).scalars())
        last = connection.execute(select(FEED.c.position)).scalar_one()
    assert positions == list(range(MANY + 1, 2 * MANY + 1)) and last == 2 * MANY


def test_a_value_that_stands_is_not_kept_again(app: Flask) -> None:
    put(app, things(3), days_ago=0)
    began = begin(app)
    run(stock_of(app), rest=0)
    assert revaluation(app, began).done == 3
    assert len(values_of(app, "G-00000")) == 1
    assert item_row(app, "G-00000").last_change == "created"


def test_only_the_items_of_the_filter_are_valued(app: Flask) -> None:
    put(app, [thing("A"), thing("B", "Dal"), thing("C")])
    change(app, "C", status="sold")
    began = begin(app, {"model": "fjell 2", "status": ["in_stock"]})
    run(stock_of(app), rest=0)
    assert revaluation(app, began).total == 1
    assert [len(values_of(app, number)) for number in "ABC"] == [2, 1, 1]


def test_a_deleted_item_is_left_alone(app: Flask) -> None:
    put(app, things(2))
    change(app, "G-00001", deleted=now_in_utc())
    began = begin(app)
    run(stock_of(app), rest=0)
    assert (revaluation(app, began).total, revaluation(app, began).done) == (1, 1)
    assert len(values_of(app, "G-00001")) == 1


def test_an_item_that_cannot_be_valued_keeps_back_no_other(app: Flask) -> None:
    put(app, things(3))
    change(app, "G-00001", instrument=orjson.dumps({"maker": "Ostvik", "model": "Nope"}).decode())
    began = begin(app)
    run(stock_of(app), rest=0)
    row = revaluation(app, began)
    assert (row.state, row.done, row.failed) == ("done", 3, 1)
    assert "Nope" in item_row(app, "G-00001").failure
    assert len(values_of(app, "G-00002")) == 2


def test_a_new_price_model_is_why_a_value_moved(app: Flask) -> None:
    """By hand: the fake gives exp(8) = 2980.96 dollars, then exp(8.05) = 3133.79."""
    put(app, [thing("A", asking=None)])
    promote(app, 8.05)
    begin(app)
    run(stock_of(app), rest=0)
    first, second = values_of(app, "A")
    assert (first.before, first.why) == (None, "[]")
    assert orjson.loads(second.value) == {"amount": "3133.79", "currency": "USD"}
    assert orjson.loads(second.before) == {"amount": "2980.96", "currency": "USD"}
    assert why(second) == [("market", None, "0.00"), ("price_model", None, "152.83")]


def test_a_new_grade_is_named_beside_the_market(app: Flask) -> None:
    """By hand: from exp(8) = 2980.96 three grades of .1 down to exp(7.7) = 2208.35."""
    put(app, [thing("A", condition_neck=0.0)])
    worn = thing("A", condition_neck=3.0).columns()["instrument"]
    change(app, "A", instrument=worn)
    begin(app)
    run(stock_of(app), rest=0)
    last = values_of(app, "A")[-1]
    assert why(last) == [("market", None, "0.00"), ("field", "condition.neck", "-772.61")]
    assert Decimal("2980.96") - Decimal("772.61") == Decimal(orjson.loads(last.value)["amount"])


def test_where_the_old_price_model_is_gone_market_and_model_are_one_cause(app: Flask) -> None:
    put(app, [thing("A")])
    old = parts(app).live.version
    promote(app, 8.05)
    for file in (parts(app).settings.store / "bundles" / str(old)).iterdir():
        file.unlink()
    begin(app)
    run(stock_of(app), rest=0)
    assert why(values_of(app, "A")[-1]) == [("market_and_price_model", None, "152.83")]


def test_a_currency_that_changed_is_restated(app: Flask) -> None:
    put(app, [thing("A")])
    change(app, "A", asking=orjson.dumps({"amount": "1800", "currency": "EUR"}).decode())
    begin(app)
    run(stock_of(app), rest=0)
    last = values_of(app, "A")[-1]
    # 2980.96 dollars at 1.1 dollars for a euro, the rate of both days.
    assert orjson.loads(last.before) == {"amount": "2709.96", "currency": "EUR"}
    assert (last.restated_from, why(last)) == ("USD", [("market", None, "0.00")])


# ── what begins one ──────────────────────────────────────────────────────────


def test_a_new_price_model_begins_one_by_itself_once(app: Flask) -> None:
    stock = stock_of(app)
    assert begin_due(stock) is None  # no items
    put(app, things(2))
    assert begin_due(stock) is None  # their values are of this price model
    first = parts(app).live.version
    second = promote(app, 8.05)
    began = begin_due(stock)
    assert began and begin_due(stock) is None
    row = revaluation(app, began)
    assert (row.reason, row.price_model, row.filter, row.key_id) == ("price_model", second, "{}", None)
    run(stock, rest=0)
    assert begin_due(stock) is None
    # Going back to the first one is a change as well.
    parts(app).live._registry.rollback(who="tests", why="again")
    parts(app).live.look()
    assert parts(app).live.version == first
    assert begin_due(stock) and begin_due(stock) is None


def test_the_schedule_begins_one_when_the_last_of_everything_is_old(app: Flask) -> None:
    put(app, things(2), days_ago=2)
    assert begin_due(stock_of(app)) is None
    assert begin_due(stock_of(app, 49 * HOUR)) is None  # the oldest item is two days old
    began = begin_due(stock_of(app, 47 * HOUR))
    assert began and revaluation(app, began).reason == "schedule"
    assert begin_due(stock_of(app, 47 * HOUR)) is None
    earlier = now_in_utc() - 48 * HOUR
    with writing(parts(app).engine) as connection:
        connection.execute(update(REVALUATIONS).values(created=earlier))
    begin(app, {"status": ["sold"]})  # one of a part does not count
    assert begin_due(stock_of(app, 47 * HOUR))


# ── one at a time, and after a kill ──────────────────────────────────────────


def test_one_process_works_on_one_revaluation_at_a_time(app: Flask) -> None:
    put(app, things(2))
    first, second = begin(app), begin(app)
    now, engine = now_in_utc(), parts(app).engine
    with writing(engine) as connection:
        row = revaluations.waiting(connection, now)
        lease = revaluations.claim(connection, row, now) if row else None
        assert lease and lease.id == first
    with writing(engine) as connection:
        assert revaluations.waiting(connection, now + timedelta(seconds=4)) is None
        assert row and revaluations.claim(connection, row, now) is None  # another saw it, but came later
    with writing(engine) as connection:
        later = now + timedelta(seconds=5)
        row = revaluations.waiting(connection, later)
        again = revaluations.claim(connection, row, later) if row else None
        assert again and again.id == first
        assert revaluations.advance(connection, lease, now, "x", done=1, failed=0) is None
        revaluations.finish(connection, again, now)
        row = revaluations.waiting(connection, now)
        assert row and row.id == second


def test_a_chunk_whose_lease_was_lost_leaves_nothing_behind(app: Flask, monkeypatch: Any) -> None:
    put(app, things(MANY))
    began = begin(app)
    valued = revaluing.value_rows

    def taken_meanwhile(*asked: Any) -> Any:
        with writing(parts(app).engine) as connection:
            connection.execute(update(REVALUATIONS).values(leased=now_in_utc() + HOUR))
        return valued(*asked)

    monkeypatch.setattr(revaluing, "value_rows", taken_meanwhile)
    assert run(stock_of(app), rest=0)
    row = revaluation(app, began)
    assert (row.state, row.done, row.reached) == ("running", 0, "")
    assert count(app, ITEM_VALUES.c.revaluation_id == began) == 0
    assert count(app, ITEMS.c.last_change == "valued") == 0


def test_another_process_goes_on_where_the_first_one_died(app: Flask, monkeypatch: Any) -> None:
    """It dies in its second chunk, just before the end of the transaction; the lease is over later."""
    put(app, things(MANY))
    began = begin(app)
    kept, calls = revaluing.keep, []

    def dies(*asked: Any, **more: Any) -> Any:
        calls.append(asked)
        if len(calls) == 2:
            kept(*asked, **more)
            raise KeyboardInterrupt
        return kept(*asked, **more)

    monkeypatch.setattr(revaluing, "keep", dies)
    with pytest.raises(KeyboardInterrupt):
        run(stock_of(app), rest=0)
    assert revaluation(app, began).reached == "G-00099"
    assert not run(stock_of(app), rest=0)  # until the lease is over
    with writing(parts(app).engine) as connection:
        connection.execute(update(REVALUATIONS).values(leased=now_in_utc()))
    assert run(stock_of(app), rest=0)
    row = revaluation(app, began)
    assert (row.state, row.total, row.done) == ("done", MANY, MANY)
    assert count(app, ITEM_VALUES.c.revaluation_id == began) == MANY


def test_a_revaluation_that_breaks_keeps_back_no_later_one(app: Flask, monkeypatch: Any) -> None:
    put(app, things(2))
    first, second = begin(app), begin(app)
    with monkeypatch.context() as patch:
        patch.setattr(revaluing, "value_rows", lambda *asked: 1 / 0)
        run(stock_of(app), rest=0)
    assert revaluation(app, first).state == "failed"
    run(stock_of(app), rest=0)
    assert revaluation(app, second).state == "done"


def test_an_item_that_was_changed_meanwhile_is_left_to_its_change(app: Flask, monkeypatch: Any) -> None:
    put(app, things(2))
    began = begin(app)
    valued = revaluing.value_rows

    def changed_meanwhile(*asked: Any) -> Any:
        found = valued(*asked)
        change(app, "G-00000", version=2)
        return found

    monkeypatch.setattr(revaluing, "value_rows", changed_meanwhile)
    run(stock_of(app), rest=0)
    assert revaluation(app, began).done == 2
    assert [len(values_of(app, number)) for number in ("G-00000", "G-00001")] == [1, 2]


def test_a_value_kept_meanwhile_is_the_one_that_the_move_counts_from(app: Flask, monkeypatch: Any) -> None:
    """Between the split and the transaction, another revaluation kept a value: exp(8.05) = 3133.79."""
    put(app, [thing("A")])
    begin(app)
    kept = revaluing.keep

    def overtaken(connection: Any, *asked: Any, **more: Any) -> Any:
        row = dict(values_of(app, "A")[-1]._mapping)
        row |= {"id": row["id"] + 1, "value": '{"amount":"3133.79","currency":"USD"}'}
        connection.execute(ITEM_VALUES.insert().values(row))
        return kept(connection, *asked, **more)

    monkeypatch.setattr(revaluing, "keep", overtaken)
    if parts(app).engine.dialect.name == "postgresql":  # the id above was not taken from its sequence
        with writing(parts(app).engine) as connection:
            connection.exec_driver_sql("SELECT setval('item_value_id_seq', 100)")
    run(stock_of(app), rest=0)
    last = values_of(app, "A")[-1]
    assert orjson.loads(last.before)["amount"] == "3133.79"
    assert why(last) == [("market_and_price_model", None, "-152.83")]
