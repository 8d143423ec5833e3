"""What reads a plain body quickly, against marshmallow itself: the same question, or not at all."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import pytest
from conftest import make_app
from fakes import CATALOGUE
from flask import Flask
from marshmallow import RAISE, Schema, ValidationError
from specimens import drawn

from service.valuations.rules import Ask
from service.valuations.schemas import AskSchema

ASK = AskSchema(unknown=RAISE)
BESIDE: dict[str, tuple[Any, ...]] = {
    "date": (None, "2025-03-01", " 2025-03-01", "2025-02-30", "1800-01-01", "2999-01-01", 3, "", []),
    "channel": (None, "private", "dealer", " Auction", "shop", "", 1, {}),
    "currency": (None, "USD", "eur", "JPY ", "QQQ", "", 5, []),
    "levels": (None, [0.8], [0.5, 0.95], [0.8, 0.8], [], [2], ["0.8"], "0.8", [True]),
    "instrument": (None, {}, [], "Ostvik", {"maker": "Ostvik"}, {"maker": "Ostvik", "model": "Dall"}),
    "colour": ("red",),
}


@pytest.fixture(scope="module")
def app(fake_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Flask:
    return make_app(fake_store, f"sqlite:///{tmp_path_factory.mktemp('plain') / 'service.db'}")


def by_marshmallow(data: dict[str, Any]) -> Ask | Any:
    try:
        return Schema.load(ASK, data)
    except ValidationError as error:
        return error.messages


def test_a_body_is_read_as_marshmallow_reads_it(app: Flask) -> None:
    rng, plain, odd = random.Random(9), 0, 0
    for subject in drawn(CATALOGUE, 3_000, seed=8):
        data: dict[str, Any] = {"instrument": subject.instrument.to_nested()}
        for name in rng.sample(sorted(BESIDE), rng.choice((0, 1, 2, 3))):
            data[name] = rng.choice(BESIDE[name])
        if rng.random() < 0.05:
            del data["instrument"]
        with app.test_request_context():
            expected, found = by_marshmallow(data), ASK._plain(data)
            if found is None:
                odd += 1
                continue
            assert found == expected == ASK.load(data), data
            plain += 1
    print(f"{plain} bodies were plain, {odd} were not")
    assert plain > 1_000 and odd > 500


def test_what_is_wrong_is_said_as_marshmallow_says_it(app: Flask) -> None:
    with app.test_request_context():
        for name, values in BESIDE.items():
            for value in values:
                data = {"instrument": {"maker": "Ostvik", "model": "Dal"}, name: value}
                try:
                    found: Any = ASK.load(data)
                except ValidationError as error:
                    found = error.messages
                assert found == by_marshmallow(data), data
