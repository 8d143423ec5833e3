"""The sentences of an explanation: what they say for each kind of field, and how figures are written."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest
from fakes import CATALOGUE, RATES, FakePriceModel
from market_of_fakes import subject

from models.domain.instrument import Subject, Value
from models.domain.vocabulary import FIELDS, Kind
from models.insights.comparables import Adjustment
from models.insights.sentences import adjustment, explanation, money, not_given, percent, sentence, words_of
from models.valuation.factors import Factor
from models.valuation.valuer import Valuer


def factor(field: str, observed: Value, reference: Value, effect: float, amount: str) -> Factor:
    label = {f.path: f.label for f in FIELDS}.get(field, field)
    return Factor(field, label, observed, reference, effect, Decimal(amount))


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (
            factor("condition.neck", 3.0, 1.0, -0.0629, "-212.40"),
            "Neck wear: moderate (typical: traces): −6.1%, −$212.",
        ),
        (
            factor("condition.back", 2.5, 1.0, -0.02, "-70"),
            "Back wear: between light and moderate (typical: traces): −2.0%, −$70.",
        ),
        (
            factor("originality.pickups", "modern", "original", -0.1, "-350"),
            "Pickups: modern (typical: original): −9.5%, −$350.",
        ),
        (
            factor("originality.finish", "refinished", "original", -0.6, "-2100"),
            "Finish: refinished (typical: original): −45.1%, −$2,100.",
        ),
        (
            factor("edition", "Solverv", None, 0.5, "1500"),
            "Edition: Solverv (typical: standard): +64.9%, +$1,500.",
        ),
        (factor("year", 1968, 1966, -0.0576, "-171"), "Year: 1968 (typical: 1966): −5.6%, −$171."),
        (
            factor("provenance.paperwork", True, False, 0.02, "60"),
            "Period paperwork: included (typical: none): +2.0%, +$60.",
        ),
        (
            factor("originality.routing", "open", "none", -0.2, "-700"),
            "Extra holes or routing: present, unfilled (typical: none): −18.1%, −$700.",
        ),
        (
            factor("edition_number", 12, None, 0.1, "90"),
            "Number in the edition: 12 (typical: unnumbered): +10.5%, +$90.",
        ),
        (
            factor("figure", 3.0, 3.0, 0.1, "90"),
            "Figure of the top: clear, same as typical; its effect differs because of the other details: "
            "+10.5%, +$90.",
        ),
        (factor("serial", "A 1", None, 0.0, "0"), "Serial number: A 1. No effect."),
    ],
)
def test_a_line_says_what_was_seen_what_is_typical_and_what_it_does(line: Factor, expected: str) -> None:
    assert sentence(line, "USD") == expected


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (factor("weight_kg", None, 4.03, 0.0, "0.00"), "weight, counted as typical (4.03 kg). No effect."),
        (
            factor("finish", None, "Peat", -0.0121, "-40"),
            "finish colour, counted below typical (Peat): −1.2%, −$40.",
        ),
        (factor("year", None, 1966, 0.0, "0"), "year, counted as typical (1966). No effect."),
        (factor("figure", None, 2.0, 0.0, "0"), "figure of the top, counted as typical (mild). No effect."),
        (
            factor("provenance.paperwork", None, False, 0.0, "0"),
            "period paperwork, counted as none. No effect. Photographs of any paperwork would help.",
        ),
        (
            factor("provenance.history", None, "none", 0.0, "0"),
            "ownership history, counted as none. No effect. Documents of its ownership history would help.",
        ),
        (factor("build", None, "production", 0.0, "0"), "build, counted as ordinary production. No effect."),
        (
            factor("originality.nut", None, "original", -0.0121, "-40"),
            "nut, counted with the usual loss of those left blank: −1.2%, −$40.",
        ),
        (factor("edition_number", None, None, -0.0121, "-40"), "number in the edition: −1.2%, −$40."),
    ],
)
def test_a_blank_says_as_what_it_was_counted(line: Factor, expected: str) -> None:
    assert not_given([line], "USD", {}) == f"Not given: {expected}"


BLANKS = [
    factor("weight_kg", None, 4.03, 0.0, "0.00"),
    factor("condition.back", None, 1.0, -0.02, "-70"),
    factor("originality.nut", None, "original", -0.01, "-30"),
    factor("originality.wiring", None, "original", -0.01, "-31"),
]


def test_all_blanks_stand_in_one_line_with_their_sum() -> None:
    # By hand: 100(e^−.04 − 1) = −3.92, and 70 + 30 + 31 = 131.
    said = (
        "Not given: weight, counted as typical (4.03 kg); back wear, nut and wiring, counted with the usual "
        "loss of those left blank: together −3.9%, −$131."
    )
    assert not_given(BLANKS, "USD", {}) == said
    wider = {"weight_kg": 0.02, "condition.back": 0.09, "originality.nut": 0.03}
    assert not_given(BLANKS, "USD", wider) == f"{said} Largest effect on the 80% range: back wear, 9% wider."


def test_a_blank_says_how_much_wider_the_range_is_for_it_from_one_per_cent_on() -> None:
    said = "Not given: weight, counted as typical (4.03 kg). No effect."
    assert not_given(BLANKS[:1], "USD", {"weight_kg": 0.09}) == f"{said} Effect on the 80% range: 9% wider."
    assert not_given(BLANKS[:1], "USD", {"weight_kg": 0.004}) == said


def test_a_finish_that_the_catalogue_does_not_have_says_as_what_it_was_counted() -> None:
    valuer = Valuer(FakePriceModel(), CATALOGUE, RATES, "v1")
    found = dict(explanation(valuer.value(subject(finish="Plum")), {"finish": 0.06}))
    # The fake's reference has no finish.
    said = "Finish colour: Plum, which the catalogue does not have for this model"
    assert found["finish"] == f"{said}. No effect. Effect on the 80% range: 6% wider."
    line = factor("finish", "Plum", "Peat", 0.0, "0")
    assert sentence(line, "USD", unlisted=True) == f"{said}; counted as typical (Peat). No effect."
    known = dict(explanation(valuer.value(subject(finish="Tarn")), {"finish": 0.06}))
    assert known["finish"] == "Finish colour: Tarn. No effect."


def test_a_grids_line_says_both_specimens() -> None:
    here, sold = subject(condition_neck=2.0), subject(day=date(2024, 5, 3), condition_neck=3.0)
    line = Adjustment("condition.neck", 0.031, Decimal("120.00"))
    expected = "Neck wear: light here, moderate on the one sold: +3.1%, +$120."
    assert adjustment(line, here, sold, "USD") == expected
    assert adjustment(line, here, sold, "USD", "asking").endswith("moderate on the one listed: +3.1%, +$120.")
    alike = Adjustment("figure", 0.031, Decimal("120.00"))
    assert adjustment(alike, subject(figure=3.0), subject(figure=3.0), "USD") == (
        "Figure of the top: clear on both; its effect differs because of the other details: +3.1%, +$120."
    )
    day = Adjustment("day", -0.04, Decimal("-90"))
    assert adjustment(day, here, sold, "USD") == "Brought from 3 May 2024 to 2 January 2026: −4.0%, −$90."


@pytest.mark.parametrize(
    ("effect", "expected"), [(0.705, "+102%"), (-0.85, "−57.3%"), (0.0, "0.0%"), (0.0004, "0.0%")]
)
def test_effects_are_in_per_cent_of_the_price(effect: float, expected: str) -> None:
    # 100(e^b − 1): .705 → 102.38, −.85 → −57.26 (a dummy's effect in a log model).
    assert percent(effect) == expected


@pytest.mark.parametrize(
    ("amount", "currency", "expected"),
    [
        ("1250.4", "USD", "$1,250"),
        ("-3.5", "EUR", "−€3.50"),
        ("90", "CHF", "CHF 90"),
        ("7", "JPY", "¥7"),
        ("0", "USD", "$0"),
    ],
)
def test_money_is_written_to_the_unit_and_small_money_to_the_cent(amount, currency, expected) -> None:
    assert money(Decimal(amount), currency) == expected


@pytest.mark.parametrize(
    ("here", "there", "kind", "expected"),
    [
        (
            "private",
            "dealer",
            "sale",
            "Valued as a private sale; that one was sold by a dealer: +5.1%, +$102.",
        ),
        (
            "dealer",
            "auction",
            "sale",
            "Valued as a dealer's sale; that one was sold at auction: +5.1%, +$102.",
        ),
        (
            "auction",
            "online",
            "asking",
            "Valued as an auction sale; that one was listed online: +5.1%, +$102.",
        ),
        (
            "online",
            "private",
            "offer",
            "Valued as an online sale; that one was offered for privately: +5.1%, +$102.",
        ),
    ],
)
def test_a_grids_line_about_markets_names_both(here: str, there: str, kind: str, expected: str) -> None:
    line = Adjustment("channel", 0.0513, Decimal("102.00"))
    own, other = (Subject(subject().instrument, date(2026, 1, 2), channel) for channel in (here, there))
    assert adjustment(line, own, other, "USD", kind) == expected


def test_each_known_factor_has_its_line_and_all_others_one() -> None:
    valuation = Valuer(FakePriceModel(), CATALOGUE, RATES, "v1").value(
        subject(condition_neck=4.0, figure=3.0, provenance_paperwork=True, provenance_case="none")
    )
    found = explanation(valuation, {"condition.top": 0.5})
    factors = [f for family in valuation.families for f in family.factors]
    known = [f.field for f in factors if f.observed is not None]
    assert [field for field, _ in found] == [None, *known, None]
    assert {"condition.neck", "figure", "provenance.paperwork", "provenance.case"} <= set(known)
    assert all(text.endswith(".") and text[0].isupper() and "None" not in text for _, text in found)
    assert found[0][1] == (
        "Percentages multiply, amounts add up to the difference from the typical instrument."
    )
    assert found[-1][1].startswith("Not given: ")
    assert "top wear, 50% wider" in found[-1][1] and "neck wear" not in found[-1][1]


def test_every_term_and_grade_has_words_of_its_own() -> None:
    for field in FIELDS:
        values: tuple[Value, ...] = field.names
        if field.kind is Kind.GRADE:
            values = tuple(float(name) for name in field.names)
        said = [words_of(field.path, value) for value in values]
        assert len(set(said)) == len(said)
        assert not any("_" in words for words in said)


PICKUPS = factor("originality.pickups", "modern", "original", -0.1, "-350")


@pytest.mark.parametrize(
    ("basis", "added"),
    [
        (0.0, ""),
        (0.49, ""),
        (0.5, "; mostly common practice"),
        (0.94, "; mostly common practice"),
        (1.0, "; common practice, hardly seen in sales yet"),
    ],
)
def test_a_line_says_where_most_of_it_rests_on_common_practice(basis: float, added: str) -> None:
    said = "Pickups: modern (typical: original): −9.5%, −$350"
    assert sentence(PICKUPS._replace(basis=basis), "USD") == f"{said}{added}."


def test_the_line_of_blanks_says_it_by_the_mean_of_their_shares() -> None:
    # By hand: effects of .02, .01 and .01 at 1, 0 and 0 are half of it, at .9, 0 and 0 are 45%.
    half = [BLANKS[0], BLANKS[1]._replace(basis=1.0), *BLANKS[2:]]
    assert not_given(half, "USD", {}).endswith("−$131; mostly common practice.")
    less = [BLANKS[0], BLANKS[1]._replace(basis=0.9), *BLANKS[2:]]
    assert not_given(less, "USD", {}).endswith("−$131.")


def test_a_line_of_no_effect_says_nothing_of_practice() -> None:
    assert not_given([BLANKS[0]._replace(basis=1.0)], "USD", {}).endswith("No effect.")
    line = factor("serial", "A 1", None, 0.0, "0")
    assert sentence(line._replace(basis=1.0), "USD") == sentence(line, "USD")


OF_ALL = "difference from the typical instrument rests on common practice"


@pytest.mark.parametrize(
    ("basis", "expected"),
    [
        (0.499, []),
        (0.5, [f"50% of the {OF_ALL}, the rest on recorded prices."]),
        (0.994, [f"99% of the {OF_ALL}, the rest on recorded prices."]),
        (1.0, [f"The whole {OF_ALL}."]),
    ],
)
def test_a_line_above_all_says_how_much_of_all_rests_on_it(basis: float, expected: list[str]) -> None:
    valuation = Valuer(FakePriceModel(), CATALOGUE, RATES, "v1").value(subject(condition_neck=4.0))
    found = [text for field, text in explanation(replace(valuation, basis=basis), {}) if field is None]
    assert found[1:-1] == expected


def test_an_instrument_without_reasons_has_no_lines() -> None:
    valuation = Valuer(FakePriceModel(), CATALOGUE, RATES, "v1").value(subject(condition_neck=4.0))
    assert explanation(replace(valuation, families=()), {}) == []
