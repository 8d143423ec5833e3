"""What holds for every specimen: losses never pay, amounts add up, ranges nest, batches equal their rows.

The subjects are drawn at random over the whole vocabulary, unknown fields among the known ones.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from fakes import CATALOGUE, RATES, FakePriceModel, read_fake

from models.bundle import read_bundle, write_bundle
from models.instrument import Instrument, Subject, Value
from models.valuation import Valuer
from models.vocabulary import CHANNEL_NAMES, DEFAULT_LEVELS, FIELDS, Field, Kind

SPECIMENS = 2_000
LOSSES = tuple(f for f in FIELDS if f.loss_ordered)


@pytest.fixture(scope="session")
def valuer() -> Valuer:
    """The model under test. The fake stands in until a fitted one is in the tree."""
    return Valuer(FakePriceModel(), CATALOGUE, RATES, "v1")


def drawn(valuer: Valuer, count: int, seed: int, known: float = 0.6) -> list[Subject]:
    """Random subjects; each field is known with probability `known`."""
    rng = random.Random(seed)
    return [_subject(valuer, rng, known) for _ in range(count)]


def _subject(valuer: Valuer, rng: random.Random, known: float) -> Subject:
    model = rng.choice(valuer.catalogue.models)
    fields = {f.flat: _value(f, rng) for f in FIELDS if f.kind is not Kind.TEXT and rng.random() < known}
    fields["year"] = rng.randint(model.first_year - 1, model.last_year + 1)
    if model.finishes and rng.random() < known:
        fields["finish"] = rng.choice(model.finishes).name
    if model.editions and rng.random() < 0.5:
        fields["edition"] = rng.choice(model.editions).name
    day = date(2024, 1, 1) + timedelta(days=rng.randrange(700))
    return Subject(Instrument(model.maker, model.name).but(**fields), day, rng.choice(CHANNEL_NAMES))


def _value(field: Field, rng: random.Random) -> Value:
    if field.kind is Kind.TERM:
        return rng.choice(field.names)
    if field.kind is Kind.FLAG:
        return rng.random() < 0.5
    if field.kind is Kind.GRADE:
        return float(rng.randint(0, 5))
    return rng.randint(1, 400) if field.kind is Kind.INTEGER else round(rng.uniform(2, 6), 1)


def one_step_worse(subject: Subject) -> Iterator[tuple[str, Subject]]:
    """The subject with each known loss-ordered field one step down its own scale, one at a time."""
    for field in LOSSES:
        value = subject.instrument.get(field)
        if value is None or value in (5.0, field.names[-1]):
            continue
        worse: Value = (
            value + 1 if isinstance(value, float) else field.names[field.names.index(str(value)) + 1]
        )
        yield field.path, subject.but(**{field.flat: worse})


def test_no_loss_of_condition_or_originality_ever_raises_a_value(valuer: Valuer) -> None:
    subjects = drawn(valuer, SPECIMENS, seed=1)
    before = valuer.value_all(subjects, levels=(0.8,))
    pairs = [(n, path, worse) for n, s in enumerate(subjects) for path, worse in one_step_worse(s)]
    assert len({path for _, path, _ in pairs}) == len(LOSSES)
    after = valuer.model.center([valuer.canonical(worse) for _, _, worse in pairs])
    center = valuer.model.center([valuer.canonical(s) for s in subjects])
    risen = [(path, subjects[n]) for (n, path, _), c in zip(pairs, after, strict=True) if c > center[n]]
    assert not risen, risen[:3]
    for n, path, worse in pairs[:: len(pairs) // 500]:  # and in money, through the whole path
        assert valuer.value(worse, levels=(0.8,)).value <= before[n].value, path


def test_hiding_any_field_is_never_an_error(valuer: Valuer) -> None:
    for subject in drawn(valuer, 60, seed=2, known=1.0):
        hidden = [subject.but(**{f.flat: None}) for f in FIELDS if f.flat not in ("maker", "model")]
        assert all(found.value > 0 for found in valuer.value_all(hidden, levels=(0.8,)))
    bare = [
        Subject(Instrument(m.maker, m.name), date(2025, 1, 1), "private") for m in valuer.catalogue.models
    ]
    assert len(valuer.value_all(bare)) == len(bare)


def test_amounts_add_up_and_ranges_nest_to_the_cent(valuer: Valuer) -> None:
    for currency in ("USD", "EUR", "JPY"):
        for found in valuer.value_all(drawn(valuer, 300, seed=3), currency):
            assert sum(f.amount for f in found.families) == found.value - found.reference_value
            for family in found.families:
                assert sum((f.amount for f in family.factors), Decimal(0)) == family.amount
            lows, highs = [i.low for i in found.intervals], [i.high for i in found.intervals]
            assert lows == sorted(lows, reverse=True) and highs == sorted(highs)
            assert lows[0] <= found.value <= highs[0]


def test_a_batch_equals_its_rows_in_any_order(valuer: Valuer) -> None:
    subjects = drawn(valuer, 200, seed=4)
    batch = valuer.value_all(subjects)
    assert valuer.value_all(subjects[::-1]) == batch[::-1]
    assert [valuer.value(s) for s in subjects] == batch


def test_a_round_trip_through_disk_changes_nothing(valuer: Valuer, tmp_path: Path) -> None:
    version = write_bundle(tmp_path, valuer.model, valuer.catalogue, valuer.rates, {})
    again = read_bundle(tmp_path / "bundles" / version, read_model=read_fake).valuer
    subjects = drawn(valuer, 100, seed=5)
    for before, after in zip(
        valuer.value_all(subjects, "EUR"), again.value_all(subjects, "EUR"), strict=True
    ):
        assert before.value == after.value
        assert (before.intervals, before.families) == (after.intervals, after.families)


def test_names_match_without_case_accents_and_spaces(valuer: Valuer) -> None:
    for subject in drawn(valuer, 100, seed=6):
        it = subject.instrument
        shouted = subject.but(maker=f"  {it.maker.upper()}", model=it.model.replace(" ", "   ").upper())
        assert valuer.value(shouted) == valuer.value(subject)


def test_another_currency_is_the_value_at_the_rate_to_the_cent(valuer: Valuer) -> None:
    subjects = drawn(valuer, 200, seed=7)
    pairs = zip(valuer.value_all(subjects), valuer.value_all(subjects, "EUR"), strict=True)
    for dollars, euros in pairs:
        # Each is rounded once, so that they may differ by half a cent of either.
        assert abs(euros.value - dollars.value / Decimal(euros.rate)) <= Decimal("0.01")
        assert [i.level for i in euros.intervals] == list(DEFAULT_LEVELS)
