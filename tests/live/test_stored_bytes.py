"""An accepted valuation stores no more than 16 KB, whatever is sent: blanks, wide letters, every part.

`pytest -s tests/live/test_stored_bytes.py` prints the bytes of each, on both databases.
"""

from __future__ import annotations

import gzip
import json
import random
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from running import Running
from sqlalchemy import select

from models.costs import MOST_LEVELS
from models.domain.catalogue import read_catalogue
from models.domain.vocabulary import FIELDS, MAX_TEXT, Field, Kind
from service.api.parts.parts import PARTS
from service.db.engine import open_engine
from service.db.tables import VALUATIONS

MOST = 16 * 1024
LEVELS = [round(0.95 * (n + 1) / MOST_LEVELS, 3) for n in range(MOST_LEVELS)]
NUMBERS: dict[str, Any] = {"year": 1965, "edition_number": 7, "weight_kg": 4.25, "figure": 3}
INCLUDED = [[], ["questions", "sentences"], list(PARTS)]


@pytest.fixture
def served(
    tmp_path: Path, demo_store: Path, backend: str, new_database: Callable[[str], str]
) -> Iterator[Running]:
    settings = {"BOOKMATCH_DATABASE": new_database(backend)}
    with Running(tmp_path, demo_store, fake=False, settings=settings) as running:
        yield running


def strangest(field: Field, chance: random.Random) -> Any:
    """A value of the field that takes most room."""
    if field.kind is Kind.TEXT:
        return "".join(chr(chance.randint(0x20000, 0x2A000)) for _ in range(MAX_TEXT))
    if field.kind is Kind.TERM:
        return max(field.names, key=len)
    return True if field.kind is Kind.FLAG else NUMBERS.get(field.path, 3)


def fullest(name: dict[str, str]) -> dict[str, Any]:
    """An instrument of this maker and model with every field filled."""
    chance = random.Random(1)
    it: dict[str, Any] = dict(name)
    for field in FIELDS:
        if field.path not in name:
            group, _, member = field.path.rpartition(".")
            (it.setdefault(group, {}) if group else it)[member] = strangest(field, chance)
    return it


def stored(served: Running) -> dict[str, int]:
    """The bytes of each row of a valuation, by its id."""
    engine = open_engine(served.database)
    try:
        with engine.connect() as connection:
            rows = connection.execute(select(VALUATIONS)).all()
    finally:
        engine.dispose()
    sizes = {}
    for row in rows:
        sizes[row.id] = sum(len(one) if isinstance(one, bytes) else len(str(one).encode()) for one in row)
    return sizes


def test_no_valuation_stores_more_than_16_kb(served: Running, demo_market: Path) -> None:
    model = read_catalogue((demo_market / "catalogue.toml").read_text(encoding="utf-8")).models[0]
    name = {"maker": model.maker, "model": model.name}
    full = json.dumps({"instrument": fullest(name), "levels": LEVELS}).encode()
    padded = json.dumps({"instrument": name}).encode() + b" " * (256 * 1024 - 1000)
    sent = [(full, parts) for parts in INCLUDED] + [(padded, [])]
    with httpx.Client(base_url=served.url, headers=served.headers, timeout=60) as client:
        for body, parts in sent:
            path = "/v1/valuations" + (f"?include={','.join(parts)}" if parts else "")
            packed = {"Content-Type": "application/json", "Content-Encoding": "gzip"}
            made = client.post(path, content=gzip.compress(body), headers=packed)
            assert made.status_code == 201, made.text
            kept, answered = stored(served)[made.json()["id"]], len(made.content)
            print(f"{len(body):7} bytes sent, {answered:6} answered, {len(parts)} parts: {kept:6} stored")
            assert kept <= MOST
            assert client.get(f"/v1/valuations/{made.json()['id']}").content == made.content
