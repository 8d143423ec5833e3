"""The stored data is bounded: in size, in time, and for each website key in a day."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from apps import NewDatabase, kept_valuations, keys_of, make_app, parts
from asking import DAL, Caller, assert_problem
from flask import Flask
from request_bodies import made, owner_of, path_of
from sqlalchemy import func, insert, select, update
from websites import HERE, SITE, form_of

from models.costs import EXPIRED_SECRET_DAYS
from service.api.valuations import records
from service.db.engine import open_engine, writing
from service.db.migrate import downgrade, upgrade
from service.db.pruning import prune
from service.db.tables import ANSWERS, CLAIMS, SECRETS, VALUATIONS

KEPT = 16 * 1024
SALE = {
    "id": "E1",
    "kind": "sale",
    "date": "2025-01-02",
    "price": "9",
    "currency": "USD",
    "channel": "dealer",
}


def website(app: Flask) -> Caller:
    return Caller(app, keys_of(app).create("a form", kind="website", origins=[SITE])[1])


def stored_bytes(app: Flask) -> int:
    """The bytes of the longest row of a valuation, all its columns together."""
    with parts(app).engine.connect() as connection:
        rows = connection.execute(select(VALUATIONS)).all()
    return max(
        sum(len(str(one).encode()) if not isinstance(one, bytes) else len(one) for one in row) for row in rows
    )


def rows_of(app: Flask, table: Any) -> int:
    with parts(app).engine.connect() as connection:
        return int(connection.execute(select(func.count()).select_from(table)).scalar_one())


def age(app: Flask, hours: float) -> None:
    """Make all claims and answers this much older."""
    with writing(parts(app).engine) as connection:
        for table in (CLAIMS, ANSWERS):
            connection.execute(update(table).values(created=datetime.now(UTC) - timedelta(hours=hours)))


def test_what_was_sent_is_not_stored(own_app: Flask) -> None:
    caller = Caller(own_app, keys_of(own_app).create("tests", ["valuations"])[1])
    padded = json.dumps(DAL).encode() + b" " * 200_000
    made = caller.post("/v1/valuations", padded)
    assert made.status_code == 201
    print(f"stored for a body of {len(padded)} bytes: {stored_bytes(own_app)}")
    assert stored_bytes(own_app) < KEPT


def test_a_long_answer_is_stored_packed_and_comes_back_to_the_byte(
    own_app: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(records, "_LONGEST_PLAIN", 100)
    caller = Caller(own_app, keys_of(own_app).create("tests", ["valuations"])[1])
    made = caller.post("/v1/valuations", DAL)
    with parts(own_app).engine.connect() as connection:
        row = connection.execute(select(VALUATIONS)).one()
    assert row.answer == "" and len(row.packed) < len(made.data)
    assert caller.get(f"/v1/valuations/{made.json['id']}").data == made.data
    assert caller.get(f"/v1/valuations/{made.json['id']}/sentences").status_code == 200
    downgrade(parts(own_app).engine, "0006")
    with parts(own_app).engine.connect() as connection:
        assert connection.exec_driver_sql("SELECT answer FROM valuation").scalar() == made.text


def test_names_of_requests_live_for_a_day_and_are_pruned(own_app: Flask) -> None:
    caller = Caller(own_app, keys_of(own_app).create("tests", ["valuations", "evidence"])[1])
    name = {"Idempotency-Key": "mine"}
    first = caller.post("/v1/valuations", DAL, **name)
    evidence = {**SALE, "instrument": {"maker": "Ostvik", "model": "Dal"}}
    assert caller.post("/v1/evidence", evidence, **name).status_code == 201
    age(own_app, 23.9)
    assert caller.post("/v1/valuations", DAL, **name).data == first.data
    assert sum(prune(parts(own_app).engine).values()) == 0
    age(own_app, 24.1)
    second = caller.post("/v1/valuations", DAL, **name)  # before anything was pruned
    assert second.status_code == 201 and second.json["id"] != first.json["id"]
    assert caller.post("/v1/valuations", DAL, **name).data == second.data
    assert prune(parts(own_app).engine) == {
        "claims of Idempotency-Keys": 1,
        "answers under them": 1,
        "expired secrets": 0,
        "sessions of the desk": 0,
        "expired secrets of webhooks": 0,
    }
    assert (rows_of(own_app, CLAIMS), rows_of(own_app, ANSWERS)) == (1, 0)
    assert kept_valuations(own_app) == 2


def test_more_rows_than_go_at_once_are_pruned(engine: Any) -> None:
    upgrade(engine)
    now = datetime.now(UTC)
    old = [
        {"id": f"a{n}", "status": 200, "body": "", "created": now - timedelta(hours=25, seconds=n)}
        for n in range(2_345)
    ]
    young = {"id": "young", "status": 200, "body": "", "created": now - timedelta(hours=23)}
    with writing(engine) as connection:
        connection.execute(insert(ANSWERS), [*old, young])
    assert prune(engine)["answers under them"] == 2_345
    with engine.connect() as connection:
        assert connection.execute(select(ANSWERS.c.id)).scalars().all() == ["young"]


def test_secrets_that_expired_long_ago_are_pruned(own_app: Flask) -> None:
    ring, engine = keys_of(own_app), parts(own_app).engine
    key_id, _ = ring.create("tests", ["valuations"])
    key = ring.rotate(key_id)
    for days, left in ((EXPIRED_SECRET_DAYS - 1, 2), (EXPIRED_SECRET_DAYS + 1, 1)):
        with writing(engine) as connection:
            rotated = update(SECRETS).where(SECRETS.c.expires.is_not(None))
            connection.execute(rotated.values(expires=datetime.now(UTC) - timedelta(days=days)))
        prune(engine)
        assert len(ring.entry(key_id).secrets) == left
    assert Caller(own_app, key).post("/v1/intervals", DAL).status_code == 200


def test_visitors_of_a_page_do_not_meet_under_one_name(own_app: Flask) -> None:
    form = website(own_app)
    name = {"Idempotency-Key": "1", "Origin": SITE}
    first = form.post("/v1/valuations", DAL, **name)
    other = form.post("/v1/valuations", {**DAL, "channel": "dealer"}, **name)
    assert (first.status_code, other.status_code) == (201, 201)
    assert other.json["channel"] == "dealer" and other.json["id"] != first.json["id"]
    assert form.post("/v1/valuations", DAL, **name).data == first.data


def test_a_website_key_stores_so_much_in_a_day_and_no_more(store: Path, new_database: NewDatabase) -> None:
    app = make_app(store, new_database("sqlite"), limit_stored=20_000)
    form, other = website(app), website(app)
    system = Caller(app, keys_of(app).create("tests", ["valuations"])[1])
    found = [form.post("/v1/valuations", DAL, Origin=SITE) for _ in range(20)]
    made = [one for one in found if one.status_code == 201]
    refused = found[len(made) :]
    assert made and refused and sum(len(one.data) for one in made) <= 20_000
    problem = assert_problem(refused[0], 429, "limit")
    assert "'stored' is 20000 bytes" in problem["detail"]
    assert 86_000 < int(refused[0].headers["Retry-After"]) <= 86_400
    assert kept_valuations(app) == len(made)
    assert other.post("/v1/valuations", DAL, Origin=SITE).status_code == 201
    assert system.post("/v1/valuations", DAL).status_code == 201
    parts(app).engine.dispose()


def test_what_owners_answer_counts_for_the_website_key_too(store: Path, new_database: NewDatabase) -> None:
    """Past the quota answers are still taken, without a value."""
    app = make_app(store, new_database("sqlite"), limit_stored=20_000)
    request = made(form_of(app), headers=HERE)
    owner, path = owner_of(app, request), f"{path_of(request)}/answers"
    found = [owner.post(path, {"answers": {"year": 1962 + n % 10}}) for n in range(20)]
    assert {one.status_code for one in found} == {200}
    assert 1 <= sum("valuation" in one.json for one in found) < 20 and "valuation" not in found[-1].json
    with parts(app).engine.connect() as connection:
        kept = connection.execute(select(VALUATIONS.c.answer)).scalars().all()
    assert sum(len(one.encode()) for one in kept) <= 20_000
    parts(app).engine.dispose()


def test_the_tables_go_back_and_forth(new_database: NewDatabase, backend: str) -> None:
    engine = open_engine(new_database(backend))
    upgrade(engine)
    downgrade(engine, "0006")
    upgrade(engine)
    engine.dispose()
