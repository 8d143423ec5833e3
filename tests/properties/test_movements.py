"""Moves of 2,000 items over three price models of the demo market are split, and nothing is left over."""

from __future__ import annotations

import random
from datetime import timedelta
from pathlib import Path

import pytest
from demo_model import demo_model, variants
from specimens import drawn

from models.bundles.registry import Registry
from models.decisions.movement import Cause, ValuedState, movements
from models.domain.instrument import Instrument, Subject
from models.domain.vocabulary import FIELDS, Kind
from models.valuation.valuer import Valuer

ITEMS, KINDS = 2_000, ("as fitted", "with a cap", "with both")
LATER = timedelta(days=45)
GRADES = [field for field in FIELDS if field.kind is Kind.GRADE]


@pytest.fixture(scope="module")
def valuers(demo_store: Path) -> dict[str, Valuer]:
    """Three price models with the catalogue and rates of one bundle."""
    kept = Registry(demo_store).load().valuer
    models = variants(demo_model(demo_store))
    return {kind: Valuer(models[kind], kept.catalogue, kept.rates, kind) for kind in KINDS}


@pytest.fixture(scope="module")
def items(valuers: dict[str, Valuer]) -> list[Subject]:
    catalogue = valuers["as fitted"].catalogue
    return [valuers["as fitted"].canonical(s) for s in drawn(catalogue, ITEMS, seed=5, known=0.7)]


def _valued(by: Valuer, subjects: list[Subject], currencies: list[str]) -> list[ValuedState]:
    found = by.value_all(subjects, currencies)
    return [
        ValuedState(subject, one.value, one.currency, one.rate, by.version)
        for subject, one in zip(subjects, found, strict=True)
    ]


def _regraded(it: Instrument, draw: random.Random) -> tuple[Instrument, str]:
    """Return the instrument with another grade in one field, and that field's path."""
    field = draw.choice(GRADES)
    other = draw.choice([grade for grade in (0.0, 1.0, 2.0, 3.0, 4.0, 5.0) if grade != it.get(field)])
    return it.but(**{field.flat: other}), field.path


@pytest.mark.parametrize(("was", "now"), [(KINDS[0], KINDS[1]), (KINDS[1], KINDS[2]), (KINDS[2], KINDS[0])])
@pytest.mark.parametrize("gone", [False, True])
def test_amounts_sum_to_the_difference(
    valuers: dict[str, Valuer], items: list[Subject], was: str, now: str, gone: bool
) -> None:
    draw = random.Random(11)
    others = draw.sample(items, ITEMS)  # the item takes answers of another one, in part
    changed = [
        subject.but(**{f.flat: other.instrument.get(f) for f in draw.sample(FIELDS[2:], draw.randrange(6))})
        for subject, other in zip(items, others, strict=True)
    ]
    later = [s._replace(day=s.day + LATER, channel=draw.choice(["private", "dealer"])) for s in changed]
    old = _valued(valuers[was], items, [draw.choice(["USD", "EUR", "JPY"]) for _ in items])
    new = _valued(valuers[now], later, [draw.choice(["USD", "EUR", one.currency]) for one in old])
    found = movements(list(zip(old, new, strict=True)), valuers[now], lambda v: None if gone else valuers[v])
    assert len(found) == ITEMS
    for before, after, move in zip(old, new, found, strict=True):
        assert sum((part.amount for part in move.parts), move.before) == after.value
        assert move.restated or move.before == before.value
        differ = {
            f.path for f in FIELDS if before.subject.instrument.get(f) != after.subject.instrument.get(f)
        }
        assert {part.field for part in move.parts if part.field} == differ
        assert (Cause.MARKET in {part.cause for part in move.parts}) is not gone


@pytest.mark.parametrize("kind", KINDS)
def test_a_new_grade_stands_alone_beside_the_market(
    valuers: dict[str, Valuer], items: list[Subject], kind: str
) -> None:
    draw, by = random.Random(12), valuers[kind]
    pairs = [_regraded(subject.instrument, draw) for subject in items]
    later = [s._replace(instrument=it, day=s.day + LATER) for s, (it, _) in zip(items, pairs, strict=True)]
    dollars = ["USD"] * ITEMS
    old, new = _valued(by, items, dollars), _valued(by, later, dollars)
    aged = _valued(by, [s._replace(day=s.day + LATER) for s in items], dollars)
    moves = movements(list(zip(old, new, strict=True)), by, {}.get)
    for (_, path), was, between, now, move in zip(pairs, old, aged, new, moves, strict=True):
        assert [(part.cause, part.field) for part in move.parts] == [
            (Cause.MARKET, None),
            (Cause.FIELD, path),
        ]
        market, grade = (part.amount for part in move.parts)
        assert was.value + market + grade == now.value
        # Each part has the sign of the step that it stands for.
        assert market * (between.value - was.value) >= 0
        assert grade * (now.value - between.value) >= 0


def test_the_same_day_and_model_move_nothing(valuers: dict[str, Valuer], items: list[Subject]) -> None:
    by = valuers["as fitted"]
    kept = _valued(by, items, ["EUR"] * ITEMS)
    again = _valued(by, items, ["EUR"] * ITEMS)
    moves = movements(list(zip(kept, again, strict=True)), by, {}.get)
    assert all(move.difference == 0 and not move.parts for move in moves)
    assert movements([], by, {}.get) == []
