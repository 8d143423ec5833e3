"""Each caution where it applies, and nowhere else; the ones that trade practice never leaves out, always."""

from __future__ import annotations

from datetime import date

import pytest
from fakes import CATALOGUE

from models.cautions import AS_OF, WORDING, cautions_for
from models.instrument import Instrument, Subject

DAY = date(2026, 3, 1)
KNOWN = Instrument(
    "Ostvik", "Dal", year=1970, condition_electronics="working", originality_pickups="original", finish=None
)


def codes(it: Instrument = KNOWN, *, day: date = DAY, sales: int = 5, last: date | None = DAY) -> list[str]:
    return [c.code for c in cautions_for(Subject(it, day, "private"), CATALOGUE, sales, last)]


def test_an_estimate_is_always_said_to_be_one_and_never_to_be_cleaned_first() -> None:
    for it in (KNOWN, Instrument("Ostvik", "Fjell 2"), KNOWN.but(year=2020)):
        assert {"estimate_not_appraisal", "do_not_clean_first", "check_serial_and_title"} <= set(codes(it))


@pytest.mark.parametrize(
    ("code", "with_it", "without_it"),
    [
        ("protected_materials", KNOWN.but(year=1970), KNOWN.but(year=2015)),
        ("protected_materials", KNOWN.but(year=None), KNOWN.but(year=2015)),
        ("old_materials_in_repair", KNOWN.but(year=1970), KNOWN.but(year=2015)),
        ("electronics_untested", KNOWN.but(condition_electronics=None), KNOWN),
        (
            "edition_part_changed",
            KNOWN.but(edition="E", originality_pickups="modern"),
            KNOWN.but(edition="E"),
        ),
        (
            "edition_part_changed",
            KNOWN.but(edition="E", originality_tailpiece="missing"),
            KNOWN.but(originality_tailpiece="missing"),
        ),
        (
            "accessories_counterfeited",
            KNOWN.but(edition="E", provenance_paperwork=True),
            KNOWN.but(edition="E"),
        ),
        (
            "accessories_counterfeited",
            KNOWN.but(edition="E", provenance_case="original"),
            KNOWN.but(provenance_case="original"),
        ),
        ("year_after_value_date", KNOWN.but(year=2027), KNOWN.but(year=2026)),
        ("year_outside_production", KNOWN.but(year=1990), KNOWN),
    ],
)
def test_a_caution_stands_where_it_applies_only(
    code: str, with_it: Instrument, without_it: Instrument
) -> None:
    assert code in codes(with_it)
    assert code not in codes(without_it)


def test_a_value_without_a_direct_sale_and_one_long_after_the_evidence_say_so() -> None:
    assert "no_direct_sale" in codes(sales=0)
    assert "no_direct_sale" not in codes(sales=1)
    assert "value_date_after_evidence" in codes(last=date(2025, 2, 1))
    assert "value_date_after_evidence" not in codes(last=date(2025, 4, 1))
    assert "value_date_after_evidence" not in codes(last=None)


def test_the_models_watchpoints_are_carried() -> None:
    found = cautions_for(Subject(Instrument("Ostvik", "Fjell 2"), DAY, "private"), CATALOGUE, 1, DAY)
    (watch,) = [c for c in found if c.code == "watchpoint"]
    assert "pickups" in watch.text and "often rewound" in watch.text
    assert "watchpoint" not in codes()


def test_contradictions_come_first() -> None:
    assert codes(KNOWN.but(year=1990))[0] == "year_outside_production"


@pytest.mark.parametrize(
    "code",
    ["estimate_not_appraisal", "protected_materials", "check_serial_and_title", "old_materials_in_repair"],
)
def test_what_touches_the_law_says_that_it_changes_and_whom_to_ask(code: str) -> None:
    text = WORDING[code].casefold()
    assert "change" in text and "ask the" in text
    assert all(c.as_of == AS_OF for c in cautions_for(Subject(KNOWN, DAY, "private"), CATALOGUE, 1, DAY))


@pytest.mark.parametrize("words", ["licensed or qualified appraiser must inspect", "not an authentication"])
def test_the_estimate_defers_to_an_appraiser(words: str) -> None:
    assert words in WORDING["estimate_not_appraisal"]


@pytest.mark.parametrize("material", ["Brazilian rosewood", "ivory", "tortoiseshell"])
def test_protected_materials_are_named(material: str) -> None:
    assert material in WORDING["protected_materials"]
