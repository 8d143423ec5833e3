"""Each caution where it applies, and nowhere else; the ones that trade practice never leaves out, always."""

from __future__ import annotations

import re
from datetime import date

import pytest
from fakes import CATALOGUE

from models.domain.instrument import Instrument, Subject
from models.domain.parsing import Note
from models.valuation.caution_texts import AS_OF, BESIDE, CODES, WORDING
from models.valuation.cautions import Grounds, cautions_for

DAY = date(2026, 3, 1)
KNOWN = Instrument(
    "Ostvik", "Dal", year=1970, condition_electronics="working", originality_pickups="original", finish=None
)
# The details that could only be seen with parts off.
SEEN = {
    "originality_finish": "original",
    "originality_wiring": "original",
    "originality_routing": "none",
}


def codes(
    it: Instrument = KNOWN,
    *,
    day: date = DAY,
    sales: int = 5,
    first: date | None = None,
    last: date | None = DAY,
    rate: date | None = DAY,
    claimed: bool = False,
    provisional: bool = False,
) -> list[str]:
    grounds = Grounds(sales, first, last, rate, claimed, provisional)
    return [c.code for c in cautions_for(Subject(it, day, "private"), CATALOGUE, grounds)]


ALWAYS = (
    "estimate_not_appraisal",
    "seller_receives_less",
    "protected_materials",
    "old_materials_in_repair",
    "shipping",
    "do_not_clean_first",
    "check_serial_and_title",
)


@pytest.mark.parametrize("code", ALWAYS)
@pytest.mark.parametrize("year", [None, 1905, 1970, 1999, 2001, 2020])
def test_what_holds_of_every_instrument_is_said_whatever_its_year(code: str, year: int | None) -> None:
    assert codes(KNOWN.but(year=year, **SEEN)).count(code) == 1


@pytest.mark.parametrize(
    ("code", "with_it", "without_it"),
    [
        ("electronics_untested", KNOWN.but(condition_electronics=None), KNOWN),
        ("mains_amplifier", KNOWN.but(condition_electronics=None), KNOWN),
        ("mains_amplifier", KNOWN.but(condition_electronics="partial"), KNOWN),
        ("do_not_dismantle", KNOWN, KNOWN.but(**SEEN)),
        ("do_not_dismantle", KNOWN.but(**{**SEEN, "originality_wiring": None}), KNOWN.but(**SEEN)),
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
        (
            "missing_pickups_cannot_work",
            KNOWN.but(originality_pickups="missing"),
            KNOWN.but(originality_pickups="missing", condition_electronics="dead"),
        ),
        ("missing_pickups_cannot_work", KNOWN.but(originality_pickups="missing"), KNOWN),
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
    # DAY is 1 March 2026: 29 January is 31 days before it.
    assert "value_date_after_evidence" in codes(last=date(2026, 1, 28))
    assert "value_date_after_evidence" not in codes(last=date(2026, 1, 29))
    assert "value_date_after_evidence" not in codes(last=None)


def test_a_value_before_the_first_evidence_says_so() -> None:
    assert "value_date_before_evidence" in codes(first=date(2026, 3, 2))
    assert "value_date_before_evidence" not in codes(first=DAY)
    assert "value_date_before_evidence" not in codes(first=None)


def test_a_rate_of_more_than_a_week_before_says_so() -> None:
    assert "rate_older_than_value" in codes(rate=date(2026, 2, 21))
    assert "rate_older_than_value" not in codes(rate=date(2026, 2, 22))


def test_claims_are_told_of_only_where_there_are_any() -> None:
    assert "claims_need_documents" in codes(claimed=True)
    assert "claims_need_documents" not in codes()


def text_of(code: str, it: Instrument) -> str:
    found = cautions_for(Subject(it, DAY, "private"), CATALOGUE, Grounds(5, None, DAY))
    (text,) = [c.text for c in found if c.code == code]
    return text


def test_a_finish_that_the_catalogue_lacks_names_the_nearest_and_how_it_was_valued() -> None:
    said = text_of("finish_not_offered", Instrument("Ostvik", "Fjell 2", finish="Rowen"))
    assert "valued as if the finish were not known" in said and said.endswith("Did you mean Rowan?")
    assert "Did you mean" not in text_of("finish_not_offered", Instrument("Ostvik", "Fjell 2", finish="Zzz"))


@pytest.mark.parametrize(
    ("code", "changes", "detail"),
    [
        ("year_outside_production", {"year": 1975}, "year 1975 (Ostvik Fjell 2 is recorded for 1958–1969)"),
        ("finish_not_offered", {"finish": "Zzz"}, "finish Zzz (Ostvik Fjell 2 is recorded in Tarn, Rowan)"),
        (
            "edition_number_above_total",
            {"edition_number": 500},
            "number 500 (120 of the Solverv are recorded)",
        ),
    ],
)
def test_a_contradiction_says_what_differs_and_that_the_catalogue_may_be_incomplete(
    code: str, changes: dict[str, object], detail: str
) -> None:
    it = Instrument("Ostvik", "Fjell 2", edition="Solverv").but(**changes)
    assert text_of(code, it).startswith(
        f"This differs from the catalogue: {detail}. The catalogue may be incomplete: have a qualified "
        "appraiser check the instrument."
    )


def test_an_edition_that_the_catalogue_lacks_names_the_nearest() -> None:
    said = text_of("edition_not_recorded", Instrument("Ostvik", "Fjell 2", edition="Solverv 64"))
    assert said.endswith("Did you mean Solverv?")


@pytest.mark.parametrize(("year", "nearest"), [(1900, 1962), (1990, 1974)])
def test_a_year_outside_the_catalogues_says_as_which_year_it_was_valued(year: int, nearest: int) -> None:
    said = text_of("year_outside_production", KNOWN.but(year=year))
    assert said.endswith(f"It was valued as one of {nearest}.")


def test_the_models_watchpoints_are_carried() -> None:
    subject = Subject(Instrument("Ostvik", "Fjell 2"), DAY, "private")
    found = cautions_for(subject, CATALOGUE, Grounds(1, None, DAY))
    (watch,) = [c for c in found if c.code == "watchpoint"]
    assert "pickups" in watch.text and "often rewound" in watch.text
    assert "watchpoint" not in codes()


def test_contradictions_come_first() -> None:
    assert codes(KNOWN.but(year=1990))[0] == "year_outside_production"


@pytest.mark.parametrize(
    "code",
    [
        "estimate_not_appraisal",
        "protected_materials",
        "check_serial_and_title",
        "old_materials_in_repair",
        "shipping",
    ],
)
def test_what_touches_the_law_says_that_it_changes_and_whom_to_ask(code: str) -> None:
    text = WORDING[code].casefold()
    assert "change" in text and re.search(r"ask (the|them)\b", text)
    found = cautions_for(Subject(KNOWN, DAY, "private"), CATALOGUE, Grounds(1, None, DAY))
    assert all(c.as_of == AS_OF for c in found)
    assert {c.code for c in found} <= set(CODES)


@pytest.mark.parametrize(
    "words", ["licensed or qualified appraiser may be required to inspect", "not an authentication"]
)
def test_the_estimate_defers_to_an_appraiser(words: str) -> None:
    assert words in WORDING["estimate_not_appraisal"]


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("protected_materials", "Brazilian and other rosewoods"),
        ("protected_materials", "ivory, tortoiseshell, shell, whalebone"),
        ("protected_materials", "ban such sales at home"),
        ("seller_receives_less", "no offer to buy"),
        ("seller_receives_less", "commission, fees or a dealer's margin"),
        ("mains_amplifier", "sound, earthed amplifier"),
        (
            "mains_amplifier",
            "Never open an amplifier: it holds a dangerous charge even after it is unplugged",
        ),
        ("do_not_dismantle", "Do not unscrew or unsolder"),
        ("do_not_clean_first", "Solvents, polish, oil, tape and the rubber or vinyl of stands and straps"),
        ("old_materials_in_repair", "decaying celluloid gives off fumes that corrode metal"),
        ("old_materials_in_repair", "pigments can hold lead: keep children away and wash hands"),
        ("old_materials_in_repair", "capacitors"),
        ("old_materials_in_repair", "a mask, extraction and no flames"),
        ("shipping", "insure it"),
        ("shipping", "reach room temperature before opening"),
        ("electronics_untested", "A two-coil pickup with one dead coil can sound almost normal"),
        ("check_serial_and_title", "check that the seller owns it"),
    ],
)
def test_each_danger_is_named_in_the_words_of_its_caution(code: str, words: str) -> None:
    assert words in WORDING[code]


DECIDERS = (
    "authority",
    "qualified appraiser",
    "qualified technician",
    "qualified repairer",
    "dealer, auction",
    "the police",
)
FULL_OF_FAULTS = Subject(
    Instrument("Ostvik", "Fjell 2", edition="Solverv", year=1900, finish="Zzz", edition_number=500),
    DAY,
    "private",
    (Note("serial", "?"), Note("edition", "standard")),
)


def test_every_caution_says_who_decides() -> None:
    given = cautions_for(FULL_OF_FAULTS, CATALOGUE, Grounds(5, None, DAY))
    assert {"year_outside_production", "finish_not_offered", "watchpoint"} <= {c.code for c in given}
    texts = {**WORDING, **BESIDE, **{c.code: c.text for c in given}}
    notes = {"placeholder_not_known", "edition_word_means_none"}  # about words of the owner
    assert notes <= set(texts)
    assert [texts[code] for code in notes if "the owner can correct it" not in texts[code]] == []
    assert [
        code
        for code, text in texts.items()
        if code not in notes and not any(decider in text for decider in DECIDERS)
    ] == []


def test_a_provisional_price_model_is_said_with_a_day_and_of_no_field() -> None:
    assert "provisional_price_model" not in codes()
    assert codes(provisional=True).count("provisional_price_model") == 1
    grounds = Grounds(5, None, DAY, DAY, provisional=True)
    found = cautions_for(Subject(KNOWN, DAY, "private"), CATALOGUE, grounds)
    (said,) = [c for c in found if c.code == "provisional_price_model"]
    assert (said.field, said.as_of) == (None, AS_OF)
    assert "first estimate" in said.text
