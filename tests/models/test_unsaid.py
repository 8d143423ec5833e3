"""The fields that a description leaves open, and the values that were taken for them."""

from __future__ import annotations

import pytest
from fakes import CATALOGUE

from models.domain.instrument import Instrument
from models.domain.vocabulary import FIELDS, Family
from models.valuation.unsaid import assumptions, unknown_fields

FJELL, DAL = CATALOGUE.models[0], CATALOGUE.models[1]
BARE = Instrument("Ostvik", "Fjell 2")
REFERENCE = BARE.but(
    year=1964,
    finish="Tarn",
    figure=2.0,
    weight_kg=4.03,
    build="production",
    condition_top=1.0,
    originality_nut="original",
    provenance_history="none",
    provenance_paperwork=False,
    provenance_case="original",
)


def assumed(it: Instrument, **effects: float) -> dict[str, tuple[str, str]]:
    unknown = unknown_fields(it, FJELL)
    found = assumptions(it, unknown, REFERENCE, {n.replace("_", ".", 1): e for n, e in effects.items()})
    return {a.field: (a.value, a.reason) for a in found}


def test_every_blank_for_which_one_value_was_taken_is_assumed() -> None:
    assert {field: value for field, (value, _) in assumed(BARE).items()} == {
        "edition": "standard",
        "build": "production",
        "year": "1964",
        "finish": "Tarn",
        "figure": "2",
        "weight_kg": "4.03",
        "provenance.history": "none",
        "provenance.paperwork": "none",
    }


def test_what_is_given_is_not_assumed() -> None:
    given = REFERENCE.but(edition="Solverv", provenance_history="notable", year=1968)
    assert assumed(given) == {}


def test_the_reasons_say_what_was_missing_and_what_was_done() -> None:
    found = assumed(BARE)
    assert found["edition"][1] == "no edition was named: it was valued as the standard model"
    typical = "it was counted as the typical instrument of this model has it"
    assert found["finish"][1] == f"no finish colour was given: {typical}"
    assert found["provenance.paperwork"][1] == "no period paperwork was given: it was counted as none"


def test_a_blank_that_was_counted_below_the_typical_says_so() -> None:
    assert "sell for less" in assumed(BARE, year=-0.02)["year"][1]
    assert "sell for less" not in assumed(BARE, year=-0.0001)["year"][1]
    assert "sell for less" in assumed(BARE, provenance_history=-0.02)["provenance.history"][1]


def test_every_blank_is_either_unknown_or_assumed_or_moot() -> None:
    numbered = BARE.but(edition="Solverv")
    unknown = set(unknown_fields(numbered, FJELL))
    assert unknown == {f.path for f in FIELDS} - {"maker", "model", "edition", "build"}
    assert set(unknown_fields(BARE, FJELL)) == unknown - {"edition_number"}
    assert set(unknown_fields(Instrument("Ostvik", "Dal"), DAL)) == unknown - {"edition_number", "figure"}
    losses = {f.path for f in FIELDS if f.family in (Family.CONDITION, Family.ORIGINALITY)}
    assert not losses & set(assumed(BARE)) and losses <= unknown


def test_a_finish_that_the_catalogue_lacks_is_unknown_and_assumed() -> None:
    odd = REFERENCE.but(finish="Plum")
    assert "finish" in unknown_fields(odd, FJELL)
    value, reason = assumed(odd)["finish"]
    assert value == "Tarn" and reason.startswith(
        "the catalogue does not have the finish colour that was given"
    )
    assert "finish" not in unknown_fields(REFERENCE, FJELL)


@pytest.mark.parametrize("finish", ["Plum", "Tarn"])
def test_where_no_finishes_are_recorded_none_is_called_unknown(finish: str) -> None:
    assert "finish" not in unknown_fields(Instrument("Ostvik", "Dal", finish=finish), DAL)
