"""The columns of a subject by hand, and that each depends on just the factors it says."""

from __future__ import annotations

import math
import random
from datetime import date

import numpy as np
import pytest
from fakes import CATALOGUE
from specimens import drawn

from models.instrument import Instrument, Subject
from models.price import features
from models.price.features import COLUMNS, LOSSES, PLAYERS, STEPS_OF, columns, feature_hash, ordinal
from models.vocabulary import BY_PATH, CHANNEL_NAMES, Kind

DAY = date(2022, 7, 1)
FULL = Instrument(
    "Ostvik",
    "Fjell 2",
    edition="Jubilee",
    year=1968,
    finish="Rowan",
    edition_number=7,
    build="prototype",
    figure=3.5,
    weight_kg=3.9,
    condition_neck=2.5,
    condition_electronics="partial",
    condition_structure="broken_headstock",
    originality_finish="refinished",
    originality_tuners="modern",
    provenance_history="notable",
    provenance_paperwork=False,
    provenance_case="none",
)
BARE = Instrument("Séraphine & Fils", "Étoile")


def of(it: Instrument, *names: str, channel: str = "auction") -> list[object]:
    found = columns([Subject(it, DAY, channel)], CATALOGUE, names)
    return [found[name][0] for name in names]


def test_levels_are_names_without_case_and_accents_within_their_model() -> None:
    assert of(FULL, "maker", "model", "edition", "special") == [
        "ostvik",
        "ostvik|fjell 2",
        "ostvik|fjell 2|jubilee",
        "yes",
    ]
    assert of(FULL, "finish", "maker_finish", "model_finish") == [
        "rowan",
        "ostvik|rowan",
        "ostvik|fjell 2|rowan",
    ]
    assert of(FULL, "build", "channel", "history", "paperwork", "case") == [
        "prototype",
        "auction",
        "notable",
        "no",
        "none",
    ]


def test_numbers_by_hand() -> None:
    names = ("year", "year_in_run", "weight", "figure", "finish_rarity", "log_total", "log_number", "place")
    # Made 1958 to 1969: 10/11 through its run; a share of .05; 7 of 120.
    expected = [1968, 10 / 11, 3.9, 3.5, -math.log(0.05), math.log(120), math.log(7), 7 / 120]
    assert of(FULL, *names) == pytest.approx(expected)
    assert of(FULL, "number_unknown") == [0.0]
    assert of(FULL.but(edition_number=None), "number_unknown", "place") == [
        1.0,
        pytest.approx(math.nan, nan_ok=True),
    ]
    # Past the recorded total, and years outside the recorded run, count for what they are, within bounds.
    assert of(FULL.but(edition_number=121), "place") == [pytest.approx(121 / 120)]
    assert of(FULL.but(edition_number=9_000), "place") == [1.2]
    assert of(FULL.but(year=1950), "year_in_run") == [-0.1]
    assert of(FULL.but(year=1999), "year_in_run") == [1.1]
    # 1 January of a year to the next is one.
    days = [Subject(BARE, date(y, 1, 1), "private") for y in (2021, 2022)]
    assert float(np.diff(columns(days, CATALOGUE, ["time"])["time"])[0]) == pytest.approx(1.0, abs=0.002)


def test_losses_run_from_0_at_their_best() -> None:
    assert of(FULL, "condition_neck", "condition_electronics", "condition_structure") == [2.5, 1.0, 4.0]
    assert of(FULL, "originality_finish", "originality_tuners") == [2.0, 2.0]
    assert [STEPS_OF[name] for name in ("condition_neck", "condition_structure", "originality_frets")] == [
        5,
        4,
        1,
    ]
    assert len(LOSSES) == 18
    assert ordinal("originality_nut", "original") == 0.0 and math.isnan(ordinal("originality_nut", None))


def test_what_is_not_known_is_neither_zero_nor_a_word() -> None:
    found = columns([Subject(BARE, DAY, "private")], CATALOGUE)
    told = {"maker", "model", "edition", "special", "build", "channel", "time", "number_unknown"}
    for name in COLUMNS:
        value = found[name][0]
        assert (value == "" or value != value) != (name in told), (name, value)
    # What silence says by the contract: no edition, an ordinary build.
    assert of(BARE, "edition", "build") == ["seraphine & fils|etoile|standard", "production"]
    # A model that never had figured tops has a plain one.
    assert of(Instrument("Ostvik", "Dal"), "figure") == [0.0]


def test_no_column_depends_on_a_factor_that_it_does_not_name() -> None:
    """The explanations move only the factors that a column names: what it hid would be lost to them."""
    subjects = drawn(CATALOGUE, 60, seed=3)
    others = drawn(CATALOGUE, 4000, seed=4, known=0.8)
    before = columns(subjects, CATALOGUE)
    rng, seen = random.Random(5), {name: set[str]() for name in COLUMNS}
    same_model = {m.name: [o for o in others if o.instrument.model == m.name] for m in CATALOGUE.models}
    for path in (*BY_PATH, "day", "channel"):
        if path in ("maker", "model"):
            continue
        for _ in range(4):
            moved = [_moved(s, rng.choice(same_model[s.instrument.model]), path, rng) for s in subjects]
            after = columns(moved, CATALOGUE)
            for name in COLUMNS:
                same = [a == b or (a != a and b != b) for a, b in zip(before[name], after[name], strict=True)]
                if not all(same):
                    seen[name].add(path)
    for name in COLUMNS:
        assert seen[name] == set(PLAYERS[name]) - {"maker", "model"}, name


def _moved(subject: Subject, other: Subject, path: str, rng: random.Random) -> Subject:
    if path == "day":
        return Subject(subject.instrument, other.day, subject.channel)
    if path == "channel":
        return Subject(subject.instrument, subject.day, rng.choice(CHANNEL_NAMES))
    field = BY_PATH[path]
    value = (
        "text"
        if field.kind is Kind.TEXT and field.flat == "serial"
        else getattr(other.instrument, field.flat)
    )
    return subject.but(**{field.flat: value})


def test_a_bundle_knows_the_columns_it_was_fitted_on(monkeypatch: pytest.MonkeyPatch) -> None:
    before = feature_hash()
    assert before == feature_hash()
    monkeypatch.setattr(features, "STEPS_OF", {**STEPS_OF, "condition_neck": 6})
    assert feature_hash() != before
