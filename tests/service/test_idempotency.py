"""A request sent twice with one Idempotency-Key is done once and answered alike."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from apps import NewDatabase, caller_of, kept_valuations, make_app, parts
from asking import DAL, Caller, assert_problem
from flask import Flask
from sqlalchemy import func, insert, select

from service.db.engine import writing
from service.db.tables import CLAIMS


def post(caller: Caller, key: str, body: Any = DAL) -> Any:
    return caller.post("/v1/valuations", body, **{"Idempotency-Key": key})


def test_sent_again_it_is_answered_alike_and_kept_once(caller: Caller) -> None:
    before = kept_valuations(caller.app)
    first, again = post(caller, "again-1"), post(caller, "again-1")
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.data == again.data and first.headers["Location"] == again.headers["Location"]
    assert kept_valuations(caller.app) == before + 1


def test_quoted_or_not_it_is_the_same_key(caller: Caller) -> None:
    assert post(caller, "quoted-1").data == post(caller, '"quoted-1"').data


def test_another_body_under_the_same_key_is_refused(caller: Caller) -> None:
    post(caller, "other-1")
    assert_problem(post(caller, "other-1", {**DAL, "channel": "dealer"}), 422, "other-body")


def test_another_key_is_another_request(caller: Caller) -> None:
    assert post(caller, "one").json["id"] != post(caller, "two").json["id"]


def test_each_caller_has_keys_of_its_own(shared_app: Flask) -> None:
    mine, yours = caller_of(shared_app), caller_of(shared_app)
    assert post(mine, "shared").json["id"] != post(yours, "shared").json["id"]


@pytest.mark.parametrize("key", ["", " ", '""', "x" * 201, "é"])
def test_a_key_that_cannot_be_one(caller: Caller, key: str) -> None:
    assert_problem(post(caller, key), 400, "idempotency-key")


def test_a_refused_request_does_not_use_the_key_up(caller: Caller) -> None:
    assert post(caller, "mended", {**DAL, "levels": [2]}).status_code == 422
    assert post(caller, "mended").status_code == 201


def test_it_is_answered_alike_whatever_model_is_current_now(own_app: Flask, monkeypatch: Any) -> None:
    caller = caller_of(own_app)
    first = post(caller, "kept")
    monkeypatch.setattr("service.api.values.services.value", lambda ask: pytest.fail("was valued again"))
    assert post(caller, "kept").data == first.data


def test_thirty_two_at_once_make_one_valuation_and_one_answer(
    backend: str, new_database: NewDatabase, fake_store: Path
) -> None:
    app = make_app(fake_store, new_database(backend), connections=32, busy_seconds=30)
    caller = caller_of(app)
    with ThreadPoolExecutor(32) as pool:
        found = list(pool.map(lambda _: post(caller, "at-once"), range(32)))
    assert {answer.status_code for answer in found} == {201}
    assert len({answer.data for answer in found}) == 1
    assert kept_valuations(caller.app) == 1
    parts(app).engine.dispose()


def test_the_second_is_told_while_the_first_is_in_flight(new_database: NewDatabase, fake_store: Path) -> None:
    app = make_app(fake_store, new_database("postgresql"), busy_seconds=0.2)
    caller = caller_of(app)
    post(caller, "settled")
    with writing(parts(app).engine) as connection:
        row = connection.execute(select(CLAIMS)).mappings().one()
        connection.execute(insert(CLAIMS).values({**row, "idempotency_key": "flying"}))
        assert_problem(post(caller, "flying"), 409, "in-flight")
    parts(app).engine.dispose()


def test_what_fails_half_way_leaves_nothing(own_app: Flask, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: Any) -> None:
        raise RuntimeError

    caller = caller_of(own_app)
    with monkeypatch.context() as patched:
        patched.setattr("service.api.valuations.records.keep", fail)
        assert_problem(post(caller, "half"), 500, "unexpected")
    with parts(own_app).engine.connect() as connection:
        assert connection.execute(select(func.count()).select_from(CLAIMS)).scalar() == 0
    assert post(caller, "half").status_code == 201
