"""The quick reader of plain JSON against the one that looks for every fault: the same specimen, or none."""

from __future__ import annotations

import json
import random
from typing import Any

import pytest
from fakes import CATALOGUE
from specimens import drawn

from models.domain.instrument import Described, Instrument, Value, _read_odd, read_flat, read_nested
from models.domain.parsing import Note, read_plain
from models.domain.vocabulary import BY_PATH, FIELDS, PLACEHOLDERS, Field, Kind
from models.errors import Fault, InputError

ODD: tuple[Any, ...] = (
    None, "", " ", "  two  words ", "x" * 201, "a\0b", "Original", "ORIGINAL ", "original", "none", "perid",
    True, False, 0, 1, 2, 2.5, 5, 5.1, -1, 1964, 1964.0, 1964.5, 10**30, 1e308, float("nan"), "3", [], [1],
    {}, {"a": 1}, "unknown", " N/A ", "?", "Not  Known", "standard",
)  # fmt: skip


def read(data: dict[str, Any]) -> Described | tuple[Fault, ...]:
    try:
        return _read_odd(data)
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
        assert isinstance(expected, Described) and expected.notes == (), data
        pairs = zip(Instrument(**found).values(), expected.instrument.values(), strict=True)  # type: ignore[arg-type]
        assert all(same(a, b) for a, b in pairs), data
    assert 800 < plain < 3_500


@pytest.mark.parametrize("field", FIELDS, ids=lambda f: f.path)
@pytest.mark.parametrize("value", ODD, ids=repr)
def test_every_field_with_every_odd_value(field: Any, value: Any) -> None:
    group, _, name = field.path.rpartition(".")
    data: dict[str, Any] = {"maker": "Ostvik", "model": "Dal"}
    data |= {group: {name: value}} if group else {name: value}
    expected = read(data)
    try:
        found: Any = read_nested(data)
    except InputError as error:
        found = error.faults
    assert repr(found) == repr(expected)


def test_a_body_as_nearly_all_are_is_plain() -> None:
    for subject in drawn(CATALOGUE, 500, seed=6):
        data = subject.instrument.to_nested()
        assert read_plain(data) is not None
        assert Instrument.from_nested(data).to_nested() == data


# ── texts that say nothing ───────────────────────────────────────────────────

NAMES = {"maker": "Ostvik", "model": "Dal"}
OPTIONAL = [field for field in FIELDS if field.path not in NAMES]


def both(field: Field, text: str) -> tuple[Described, Described]:
    """The field with this text, read from JSON and from CSV."""
    group, _, name = field.path.rpartition(".")
    nested = {**NAMES, **({group: {name: text}} if group else {name: text})}
    return read_nested(nested), read_flat({**NAMES, field.flat: text})


@pytest.mark.parametrize("field", OPTIONAL, ids=lambda f: f.path)
@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("unknown", "unknown"),
        (" N/A", "n/a"),
        ("Not  KNOWN ", "not known"),
        ("?", "?"),
        ("ÜNKNOWN", "unknown"),
    ],
)
def test_a_placeholder_is_not_known_in_every_field_and_is_noted(field: Field, text: str, word: str) -> None:
    for found in both(field, text):
        assert found == Described(Instrument(**NAMES), (Note(field.path, word),))


def test_the_contracts_placeholders_are_among_them_and_a_name_is_none() -> None:
    assert {"unknown", "n/a", "?", "-"} <= PLACEHOLDERS
    finish = BY_PATH["finish"]
    for text in ("Unknown Blue", "N/A Green", "Lamp Smoke", "-5"):
        for found in both(finish, text):
            assert (found.instrument.finish, found.notes) == (text, ())


@pytest.mark.parametrize("path", ["originality.routing", "provenance.history", "provenance.case"])
def test_none_stays_the_term_that_it_is(path: str) -> None:
    for found in both(BY_PATH[path], "None"):
        assert (found.instrument.get(BY_PATH[path]), found.notes) == ("none", ())


@pytest.mark.parametrize(
    "path", ["condition.neck", "provenance.paperwork", "originality.pickguard", "figure"]
)
def test_none_is_not_taken_for_not_known_where_it_may_be_an_answer(path: str) -> None:
    with pytest.raises(InputError):
        both(BY_PATH[path], "none")


@pytest.mark.parametrize("text", ["standard", "None", " STANDARD ", "unknown", "-"])
def test_words_for_no_edition_are_no_edition(text: str) -> None:
    for found in both(BY_PATH["edition"], text):
        assert found.instrument.edition is None
        assert found.notes == (Note("edition", text.strip().casefold()),)


def test_standard_is_an_ordinary_text_elsewhere_and_a_serial_none_is_no_serial() -> None:
    assert both(BY_PATH["finish"], "Standard")[0].instrument.finish == "Standard"
    assert [found.instrument.serial for found in both(BY_PATH["serial"], "none")] == [None, None]


def test_maker_and_model_are_never_placeholders() -> None:
    found = read_nested({"maker": "unknown", "model": "n/a"})
    assert (found.instrument.maker, found.instrument.model, found.notes) == ("unknown", "n/a", ())


def test_empty_values_are_not_known_without_a_note() -> None:
    for text in ("", "  "):
        assert all(found.notes == () for field in OPTIONAL for found in both(field, text))
    assert not [f for f in FIELDS if f.kind is Kind.TERM and PLACEHOLDERS & set(f.names)]
