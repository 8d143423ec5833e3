"""The columns of a subject by hand, and that each depends on just the factors it says."""

from __future__ import annotations

import math
import random
from datetime import date

import numpy as np
import pytest
from fakes import CATALOGUE
from specimens import drawn

from models.domain.instrument import Instrument, Subject
from models.domain.vocabulary import BY_PATH, CHANNEL_NAMES, Kind
from models.price.instruments import features
from models.price.instruments.features import (
    BLANKS,
    COLUMNS,
    LOSSES,
    PLAYERS,
    STEPS_OF,
    columns,
    counted,
    feature_hash,
    ordinal,
)
from models.price.instruments.reference import Typical

DAY = date(2022, 7, 1)
FULL = Instrument(
    "Ostvik",
    "Fjell 2",
    edition="Solverv",
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
TYPICAL = {
    "ostvik|fjell 2": Typical(1963, "Tarn", 2.0, 3.7),
    "ostvik|dal": Typical(1968, None, 0.0, None),
    "seraphine & fils|etoile": Typical(1975, "Brume", None, None),
}


def of(it: Instrument, *names: str, channel: str = "auction") -> list[object]:
    found = columns([Subject(it, DAY, channel)], CATALOGUE, TYPICAL, names)
    return [found[name][0] for name in names]


def test_levels_are_names_without_case_and_accents_within_their_model() -> None:
    assert of(FULL, "maker", "model", "edition", "special") == [
        "ostvik",
        "ostvik|fjell 2",
        "ostvik|fjell 2|solverv",
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
    names = (
        "year",
        "year_in_run",
        "weight",
        "figure",
        "finish_rarity",
        "log_total",
        "log_number",
        "number_share",
    )
    # Made 1958 to 1969: 10/11 through its run; a share of .05; 7 of 120.
    expected = [1968, 10 / 11, 3.9, 3.5, -math.log(0.05), math.log(120), math.log(7), 7 / 120]
    assert of(FULL, *names) == pytest.approx(expected)
    assert of(FULL, "number_unknown") == [0.0]
    assert of(FULL.but(edition_number=None), "number_unknown", "number_share") == [
        1.0,
        pytest.approx(math.nan, nan_ok=True),
    ]
    # Past the recorded total a number counts for what it is, within bounds.
    assert of(FULL.but(edition_number=121), "number_share") == [pytest.approx(121 / 120)]
    assert of(FULL.but(edition_number=9_000), "number_share") == [1.2]
    # 1 January of a year to the next is one.
    days = [Subject(BARE, date(y, 1, 1), "private") for y in (2021, 2022)]
    assert float(np.diff(columns(days, CATALOGUE, TYPICAL, ["time"])["time"])[0]) == pytest.approx(
        1.0, abs=0.002
    )


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


def test_a_blank_of_the_level_is_read_as_typical_and_marked() -> None:
    bare = Instrument("Ostvik", "Fjell 2")
    assert of(bare, "year", "year_in_run", "weight", "figure") == [1963, 5 / 11, 3.7, 2.0]
    assert of(bare, "finish", "maker_finish", "model_finish") == [
        "tarn",
        "ostvik|tarn",
        "ostvik|fjell 2|tarn",
    ]
    assert of(bare, "finish_rarity") == pytest.approx([-math.log(0.7)])
    assert of(bare, "history", "paperwork", "case") == ["none", "no", "original"]
    assert of(bare, *BLANKS) == [1.0] * 7 and len(BLANKS) == 7
    full = FULL.but(provenance_paperwork=True)
    assert of(full, *BLANKS) == [0.0] * 7 and of(full, "paperwork") == ["yes"]
    for flat, name in (
        ("year", "year_blank"),
        ("provenance_case", "case_blank"),
        ("weight_kg", "weight_blank"),
    ):
        assert of(FULL.but(**{flat: None}), *BLANKS) == [float(blank == name) for blank in BLANKS]


def test_what_even_typical_specimens_do_not_say_stays_unknown() -> None:
    found = of(BARE, "finish", "weight", "figure", "finish_rarity", "year")
    # Brume is the only finish recorded, without a share.
    assert found == ["brume", *[pytest.approx(math.nan, nan_ok=True)] * 3, 1975]
    assert of(Instrument("Ostvik", "Dal"), "finish", "maker_finish", "figure") == ["", "", 0.0]
    # A loss is never read as good: it stays unknown.
    assert all(math.isnan(value) for value in of(BARE, *LOSSES))  # type: ignore[arg-type]
    # What a blank says by `models.domain.vocabulary`: no edition, an ordinary build.
    assert of(BARE, "edition", "build") == ["seraphine & fils|etoile|standard", "production"]


def test_nothing_counts_that_the_catalogue_does_not_have() -> None:
    fjell, dal = (CATALOGUE.find("Ostvik", name) for name in ("Fjell 2", "Dal"))
    odd = FULL.but(finish="Home-made", year=1999)
    assert counted(odd, fjell) == FULL.but(finish=None, year=1969)
    assert counted(FULL.but(year=1950), fjell).year == 1958
    assert counted(FULL, fjell) is FULL
    # Dal never had figured tops, nor a finish on record: any finish is believed.
    plain = Instrument("Ostvik", "Dal", figure=4.0, finish="Home-made", year=1974)
    assert counted(plain, dal) == plain.but(figure=0.0)
    assert counted(plain.but(figure=None), dal).figure == 0.0
    # And so the columns are those of a blank, of the end of the run, of a plain top.
    assert of(odd, "finish", "finish_blank", "year", "year_in_run") == ["tarn", 1.0, 1969, 1.0]
    assert of(FULL.but(year=1950), "year", "year_in_run", "year_blank") == [1958, 0.0, 0.0]
    assert of(plain, "figure", "figure_blank") == [0.0, 0.0]


def test_no_column_depends_on_a_factor_that_it_does_not_name() -> None:
    """The explanations move only the factors that a column names: what it hid would be lost to them."""
    subjects = drawn(CATALOGUE, 60, seed=3)
    others = drawn(CATALOGUE, 4000, seed=4, known=0.8)
    before = columns(subjects, CATALOGUE, TYPICAL)
    rng, seen = random.Random(5), {name: set[str]() for name in COLUMNS}
    same_model = {m.name: [o for o in others if o.instrument.model == m.name] for m in CATALOGUE.models}
    for path in (*BY_PATH, "day", "channel"):
        if path in ("maker", "model"):
            continue
        for _ in range(4):
            moved = [_moved(s, rng.choice(same_model[s.instrument.model]), path, rng) for s in subjects]
            after = columns(moved, CATALOGUE, TYPICAL)
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
