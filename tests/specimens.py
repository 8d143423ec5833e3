"""Specimens drawn at random over the whole vocabulary, and the same ones a step worse."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import date, timedelta

from models.domain.catalogue import Catalogue
from models.domain.instrument import Instrument, Subject, Value
from models.domain.vocabulary import CHANNEL_NAMES, FIELDS, Field, Kind

LOSSES = tuple(f for f in FIELDS if f.loss_ordered)


def drawn(catalogue: Catalogue, count: int, seed: int, known: float = 0.6) -> list[Subject]:
    """Random canonical subjects; each field is known with probability `known`."""
    rng = random.Random(seed)
    return [_subject(catalogue, rng, known) for _ in range(count)]


def _subject(catalogue: Catalogue, rng: random.Random, known: float) -> Subject:
    model = rng.choice(catalogue.models)
    fields = {f.flat: _value(f, rng) for f in FIELDS if f.kind is not Kind.TEXT and rng.random() < known}
    fields["year"] = rng.randint(model.first_year - 1, model.last_year + 1) if rng.random() < known else None
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


def one_step_worse(subject: Subject) -> Iterator[tuple[Field, Subject]]:
    """The subject with each known loss-ordered field one step down its own scale, one at a time."""
    for field in LOSSES:
        value = subject.instrument.get(field)
        if value is None or value in (5.0, field.names[-1]):
            continue
        worse: Value = (
            value + 1 if isinstance(value, float) else field.names[field.names.index(str(value)) + 1]
        )
        yield field, subject.but(**{field.flat: worse})
