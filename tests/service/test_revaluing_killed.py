"""Revaluations: one is worked on at a time, and what a process leaves behind that is killed."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import orjson
import pytest
from apps import parts
from flask import Flask
from sqlalchemy import update
from stock_ground import (
    begin,
    change,
    count,
    put,
    revaluation,
    stock_of,
    thing,
    things,
    values_of,
    why,
)

from service.db.engine import writing
from service.db.item_tables import ITEM_VALUES, ITEMS, REVALUATIONS
from service.inventory import revaluations, revaluing
from service.inventory.revaluing import now_in_utc, run

MANY = 250  # items, in three chunks
HOUR = timedelta(hours=1)


def test_one_process_works_on_one_revaluation_at_a_time(stock_app: Flask) -> None:
    put(stock_app, things(2))
    first, second = begin(stock_app), begin(stock_app)
    now, engine = now_in_utc(), parts(stock_app).engine
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


def test_a_chunk_whose_lease_was_lost_leaves_nothing_behind(stock_app: Flask, monkeypatch: Any) -> None:
    put(stock_app, things(MANY))
    began = begin(stock_app)
    valued = revaluing.value_rows

    def taken_meanwhile(*asked: Any) -> Any:
        with writing(parts(stock_app).engine) as connection:
            connection.execute(update(REVALUATIONS).values(leased=now_in_utc() + HOUR))
        return valued(*asked)

    monkeypatch.setattr(revaluing, "value_rows", taken_meanwhile)
    assert run(stock_of(stock_app), rest=0)
    row = revaluation(stock_app, began)
    assert (row.state, row.done, row.reached) == ("running", 0, "")
    assert count(stock_app, ITEM_VALUES.c.revaluation_id == began) == 0
    assert count(stock_app, ITEMS.c.last_change == "valued") == 0


def test_another_process_goes_on_where_the_first_one_died(stock_app: Flask, monkeypatch: Any) -> None:
    """It dies in its second chunk, just before the end of the transaction; the lease is over later."""
    put(stock_app, things(MANY))
    began = begin(stock_app)
    kept, calls = revaluing.keep, []

    def dies(*asked: Any, **more: Any) -> Any:
        calls.append(asked)
        if len(calls) == 2:
            kept(*asked, **more)
            raise KeyboardInterrupt
        return kept(*asked, **more)

    monkeypatch.setattr(revaluing, "keep", dies)
    with pytest.raises(KeyboardInterrupt):
        run(stock_of(stock_app), rest=0)
    assert revaluation(stock_app, began).reached == "G-00099"
    assert not run(stock_of(stock_app), rest=0)  # until the lease is over
    with writing(parts(stock_app).engine) as connection:
        connection.execute(update(REVALUATIONS).values(leased=now_in_utc()))
    assert run(stock_of(stock_app), rest=0)
    row = revaluation(stock_app, began)
    assert (row.state, row.total, row.done) == ("done", MANY, MANY)
    assert count(stock_app, ITEM_VALUES.c.revaluation_id == began) == MANY


def test_a_revaluation_that_breaks_keeps_back_no_later_one(stock_app: Flask, monkeypatch: Any) -> None:
    put(stock_app, things(2))
    first, second = begin(stock_app), begin(stock_app)
    with monkeypatch.context() as patch:
        patch.setattr(revaluing, "value_rows", lambda *asked: 1 / 0)
        run(stock_of(stock_app), rest=0)
    assert revaluation(stock_app, first).state == "failed"
    run(stock_of(stock_app), rest=0)
    assert revaluation(stock_app, second).state == "done"


def test_an_item_that_was_changed_meanwhile_is_left_to_its_change(stock_app: Flask, monkeypatch: Any) -> None:
    put(stock_app, things(2))
    began = begin(stock_app)
    valued = revaluing.value_rows

    def changed_meanwhile(*asked: Any) -> Any:
        found = valued(*asked)
        change(stock_app, "G-00000", version=2)
        return found

    monkeypatch.setattr(revaluing, "value_rows", changed_meanwhile)
    run(stock_of(stock_app), rest=0)
    assert revaluation(stock_app, began).done == 2
    assert [len(values_of(stock_app, number)) for number in ("G-00000", "G-00001")] == [1, 2]


def test_a_move_counts_from_a_value_that_was_kept_meanwhile(stock_app: Flask, monkeypatch: Any) -> None:
    """Between the split and the transaction, another revaluation kept a value: exp(8.05) = 3133.79."""
    put(stock_app, [thing("A")])
    begin(stock_app)
    kept = revaluing.keep

    def overtaken(connection: Any, *asked: Any, **more: Any) -> Any:
        row = dict(values_of(stock_app, "A")[-1]._mapping)
        row |= {"id": row["id"] + 1, "value": '{"amount":"3133.79","currency":"USD"}'}
        connection.execute(ITEM_VALUES.insert().values(row))
        return kept(connection, *asked, **more)

    monkeypatch.setattr(revaluing, "keep", overtaken)
    if parts(stock_app).engine.dialect.name == "postgresql":  # the id above was not taken from its sequence
        with writing(parts(stock_app).engine) as connection:
            connection.exec_driver_sql("SELECT setval('item_value_id_seq', 100)")
    run(stock_of(stock_app), rest=0)
    last = values_of(stock_app, "A")[-1]
    assert orjson.loads(last.before)["amount"] == "3133.79"
    assert why(last) == [("market_and_price_model", None, "-152.83")]
