"""The quick reader of plain JSON against the one that looks for every fault: the same specimen, or none."""

from __future__ import annotations

import json
import random
from typing import Any

import pytest
from fakes import CATALOGUE
from specimens import drawn

from models.errors import Fault, InputError
from models.instrument import Instrument, Value
from models.parsing import read_plain
from models.vocabulary import BY_PATH, FIELDS

ODD: tuple[Any, ...] = (
    None, "", " ", "  two  words ", "x" * 201, "a\0b", "Original", "ORIGINAL ", "original", "none", "perid",
    True, False, 0, 1, 2, 2.5, 5, 5.1, -1, 1964, 1964.0, 1964.5, 10**30, 1e308, float("nan"), "3", [], [1],
    {}, {"a": 1},
)  # fmt: skip


def read(data: dict[str, Any]) -> Instrument | tuple[Fault, ...]:
    try:
        return Instrument._read_nested(data)
    except InputError as error:
        return error.faults


def odder(data: dict[str, Any], rng: random.Random) -> dict[str, Any]:
    """The body with some of its values, groups and names changed for odd ones."""
    out: dict[str, Any] = json.loads(json.dumps(data))
    for _ in range(rng.choice((0, 1, 1, 2, 4))):
        group, _, name = rng.choice([*BY_PATH, "condition.nek", "colour", "condition"]).rpartition(".")
        place = out
        if group and rng.random() < 0.9:
            place = out[group] if isinstance(out.get(group), dict) else out.setdefault(group, {})
        elif group:
            name = f"{group}.{name}"
        if isinstance(place, dict):
            place[name] = rng.choice(ODD)
    if rng.random() < 0.1:
        out.pop(rng.choice(("maker", "model")), None)
    return out


def same(one: Value, other: Value) -> bool:
    return type(one) is type(other) and one == other


def test_what_is_plain_is_read_alike_and_what_is_odd_is_left_to_the_other() -> None:
    rng, plain = random.Random(7), 0
    for subject in drawn(CATALOGUE, 4_000, seed=5):
        data = odder(subject.instrument.to_nested(), rng)
        expected, found = read(data), read_plain(data)
        if found is None:
            continue
        plain += 1
        assert isinstance(expected, Instrument), data
        pairs = zip(Instrument(**found).values(), expected.values(), strict=True)  # type: ignore[arg-type]
        assert all(same(a, b) for a, b in pairs), data
    print(f"{plain} of 4000 were plain")
    assert 800 < plain < 3_500


@pytest.mark.parametrize("field", FIELDS, ids=lambda f: f.path)
@pytest.mark.parametrize("value", ODD, ids=repr)
def test_every_field_with_every_odd_value(field: Any, value: Any) -> None:
    group, _, name = field.path.rpartition(".")
    data: dict[str, Any] = {"maker": "Ostvik", "model": "Dal"}
    data |= {group: {name: value}} if group else {name: value}
    expected = read(data)
    try:
        found: Any = Instrument.from_nested(data)
    except InputError as error:
        found = error.faults
    assert repr(found) == repr(expected)


def test_a_body_as_nearly_all_are_is_plain() -> None:
    for subject in drawn(CATALOGUE, 500, seed=6):
        data = subject.instrument.to_nested()
        assert read_plain(data) is not None
        assert Instrument.from_nested(data).to_nested() == data
