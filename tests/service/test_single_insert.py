"""A row kept by itself stands in the database as SQLAlchemy would have written it, and fails as it would."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, insert, select, text
from sqlalchemy.exc import IntegrityError, OperationalError

from service.db.engine import open_engine, reading, writing
from service.db.schema import METADATA
from service.db.single_insert import SingleInsert
from service.db.tables import VALUATIONS
from service.keys.records import KeyRing

KEEP = SingleInsert(VALUATIONS)


@pytest.fixture(autouse=True)
def tables(engine: Engine) -> None:
    METADATA.create_all(engine)


def row(engine: Engine, record_id: str, **changes: Any) -> dict[str, Any]:
    key_id = KeyRing(engine, "a secret of the tests").create("tests", ["valuations"])[0]
    said = {"answer": '{"a": "é%s ?:x"}', "packed": b"\x00\xff", "model_version": "v"}
    created = datetime(2026, 1, 2, 3, 4, 5, 678_900, UTC)
    return {"id": record_id, "key_id": key_id, "created": created, **said, **changes}


def kept(engine: Engine, record_id: str) -> dict[str, Any]:
    with reading(engine) as connection:
        found = connection.execute(select(VALUATIONS).where(VALUATIONS.c.id == record_id)).one()
        return dict(found._mapping)


def test_the_row_is_the_one_that_sqlalchemy_writes(engine: Engine) -> None:
    one = row(engine, "one")
    KEEP.run(engine, one)
    with writing(engine) as connection:
        connection.execute(insert(VALUATIONS), {**one, "id": "two"})
    assert kept(engine, "one") == one
    with reading(engine) as connection:
        # As text, as it stands: moments above all.
        raw = text("SELECT CAST(created AS VARCHAR(40)), answer, packed FROM valuation ORDER BY id")
        assert len(set(connection.execute(raw).all())) == 1


def test_what_the_database_refuses_is_refused_and_leaves_nothing_open(engine: Engine) -> None:
    one = row(engine, "one")
    KEEP.run(engine, one)
    for wrong in (one, {**one, "id": "other", "key_id": "nobody"}, {**one, "id": "third", "answer": None}):
        with pytest.raises(IntegrityError):
            KEEP.run(engine, wrong)
    KEEP.run(engine, {**one, "id": "last"})
    with reading(engine) as connection:
        assert sorted(connection.execute(select(VALUATIONS.c.id)).scalars()) == ["last", "one"]


def test_a_database_that_is_busy_or_gone_is_an_operational_error(tmp_path: Path) -> None:
    engine = open_engine(f"sqlite:///{tmp_path / 'busy.db'}", busy_seconds=0.1)
    METADATA.create_all(engine)
    one = row(engine, "one")
    with writing(engine), pytest.raises(OperationalError, match="locked"):
        KEEP.run(engine, one)
    KEEP.run(engine, one)
    engine.dispose()
    nowhere = open_engine("postgresql://nobody@127.0.0.1:1/none", busy_seconds=0.2)
    with pytest.raises(OperationalError):
        KEEP.run(nowhere, one)
    nowhere.dispose()
