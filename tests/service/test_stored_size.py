"""No accepted valuation stores more than 16 KB, however long, wide and strange what was sent is."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from apps import UNLIMITED, NewDatabase, keys_of, parts
from asking import SECRET, Caller
from sqlalchemy import select

from models.domain.vocabulary import FIELDS, MAX_TEXT, Field, Kind
from service.api.parts.parts import PARTS
from service.app import create_app
from service.db.engine import open_engine
from service.db.migrate import upgrade
from service.db.tables import VALUATIONS
from service.settings import Settings

KEPT = 16 * 1024
LEVELS = [round(0.05 + 0.04 * n, 2) for n in range(20)]
NUMBERS: dict[str, Any] = {"year": 1965, "edition_number": 7, "weight_kg": 4.25, "figure": 3}


@pytest.fixture
def caller(demo_store: Path, new_database: NewDatabase) -> Iterator[Caller]:
    settings = Settings(
        store=demo_store, secret=SECRET, database=new_database("sqlite"), log_level="error", **UNLIMITED
    )
    engine = open_engine(settings.database)
    upgrade(engine)
    engine.dispose()
    app = create_app(settings)
    yield Caller(app, keys_of(app).create("tests", ["valuations"])[1])
    parts(app).engine.dispose()


def strangest(field: Field, chance: random.Random) -> Any:
    """A value of the field that takes most room."""
    if field.kind is Kind.TEXT:
        return "".join(chr(chance.randint(0x20000, 0x2A000)) for _ in range(MAX_TEXT))
    if field.kind is Kind.TERM:
        return max(field.names, key=len)
    return True if field.kind is Kind.FLAG else NUMBERS.get(field.path, 3)


def fullest(caller: Caller) -> dict[str, Any]:
    """An instrument of the catalogue's first model with every field filled."""
    chance = random.Random(1)
    model = parts(caller.app).live.bundle().valuer.catalogue.models[0]
    it: dict[str, Any] = {"maker": model.maker, "model": model.name}
    for field in FIELDS:
        if field.path not in ("maker", "model"):
            group, _, name = field.path.rpartition(".")
            (it.setdefault(group, {}) if group else it)[name] = strangest(field, chance)
    return it


@pytest.mark.parametrize("include", [[], ["questions", "sentences"], list(PARTS)], ids=len)
def test_no_valuation_stores_more_than_16_kb(caller: Caller, include: list[str]) -> None:
    body = {"instrument": fullest(caller), "levels": LEVELS}
    path = "/v1/valuations" + (f"?include={','.join(include)}" if include else "")
    made = caller.post(path, body)
    assert made.status_code == 201, made.text
    with parts(caller.app).engine.connect() as connection:
        row = connection.execute(select(VALUATIONS)).one()
    size = sum(len(one) if isinstance(one, bytes) else len(str(one).encode()) for one in row)
    print(f"an answer of {len(made.data)} bytes with {len(include)} parts is stored in {size}")
    assert size <= KEPT
    assert caller.get(f"/v1/valuations/{made.json['id']}").data == made.data
