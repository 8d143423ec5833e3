"""The sentences of an explanation: what they say for each kind of field, and how figures are written."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest
from fakes import CATALOGUE, RATES, FakePriceModel
from market_of_fakes import subject

from models.comparables import Line
from models.factors import Factor
from models.instrument import Value
from models.sentences import adjustment, foreword, money, percent, sentence, sentences, words_of
from models.valuation import Valuer
from models.vocabulary import FIELDS, Kind


def factor(field: str, observed: Value, reference: Value, effect: float, amount: str) -> Factor:
    label = {f.path: f.label for f in FIELDS}.get(field, field)
    return Factor(field, label, observed, reference, effect, Decimal(amount))


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (
            factor("condition.neck", 3.0, 1.0, -0.0629, "-212.40"),
            "Neck wear is moderate, where a typical one shows traces: −6.1%, −$212.",
        ),
        (
            factor("condition.back", 2.5, 1.0, -0.02, "-70"),
            "Back wear is between light and moderate, where a typical one shows traces: −2.0%, −$70.",
        ),
        (
            factor("originality.pickups", "modern", "original", -0.1, "-350"),
            "Pickups are modern, where a typical one's are original: −9.5%, −$350.",
        ),
        (
            factor("originality.finish", "refinished", "original", -0.6, "-2100"),
            "Finish is refinished, where a typical one's is original: −45.1%, −$2,100.",
        ),
        (
            factor("edition", "Solverv", None, 0.5, "1500"),
            "Edition is Solverv, where a typical one's is standard: +64.9%, +$1,500.",
        ),
        (factor("serial", "A 1", None, 0.0, "0"), "Serial number is A 1: no effect."),
    ],
)
def test_a_line_says_what_was_seen_what_is_typical_and_what_it_does(line: Factor, expected: str) -> None:
    assert sentence(line, "USD") == expected


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (
            factor("weight_kg", None, 4.03, 0.0, "0.00"),
            "Weight: not given; counted as typical (4.03 kg). No effect.",
        ),
        (
            factor("finish", None, "Peat", -0.0121, "-40"),
            "Finish colour: not given; counted below typical (Peat): −1.2%, −$40.",
        ),
        (factor("year", None, 1966, 0.0, "0"), "Year: not given; counted as typical (1966). No effect."),
        (
            factor("figure", None, 2.0, 0.0, "0"),
            "Figure of the top: not given; counted as typical (mild). No effect.",
        ),
        (
            factor("provenance.paperwork", None, False, 0.0, "0"),
            "Paperwork: not given; counted as none. No effect. Photographs of any would help.",
        ),
        (
            factor("provenance.history", None, "none", 0.0, "0"),
            "Ownership history: not given; counted as none. No effect. Documents of any would help.",
        ),
        (
            factor("build", None, "production", 0.0, "0"),
            "Build: not given; counted as ordinary production. No effect.",
        ),
        (
            factor("originality.nut", None, "original", -0.0121, "-40"),
            "Nut: not given; counted with the usual loss of those left blank: −1.2%, −$40.",
        ),
        (
            factor("edition_number", None, None, -0.0121, "-40"),
            "Number in the edition: not given: −1.2%, −$40.",
        ),
    ],
)
def test_a_blank_says_as_what_it_was_counted(line: Factor, expected: str) -> None:
    assert sentence(line, "USD") == expected


def test_a_finish_that_the_catalogue_does_not_have_says_as_what_it_was_counted() -> None:
    valuer = Valuer(FakePriceModel(), CATALOGUE, RATES, "v1")
    found = sentences(valuer.value(subject(finish="Plum")), {})
    # The fake's reference has no finish.
    said = "Finish colour: Plum, which the catalogue does not have for this model"
    assert found["finish"] == f"{said}. No effect."
    line = factor("finish", "Plum", "Peat", 0.0, "0")
    assert sentence(line, "USD", unlisted=True) == f"{said}; counted as typical (Peat). No effect."
    assert (
        sentences(valuer.value(subject(finish="Tarn")), {})["finish"] == "Finish colour is Tarn: no effect."
    )


def test_what_is_not_known_says_how_much_wider_the_range_is_for_it() -> None:
    line = factor("condition.back", None, 1.0, -0.012, "-40")
    said = "Back wear: not given; counted with the usual loss of those left blank: −1.2%, −$40"
    assert sentence(line, "USD", 0.09) == f"{said}, and the range is 9% wider for it."
    assert sentence(line, "USD", 0.001) == f"{said}."
    assert sentence(line, "USD") == f"{said}."


def test_a_grids_line_says_both_specimens() -> None:
    here, sold = subject(condition_neck=2.0), subject(day=date(2024, 5, 3), condition_neck=3.0)
    line = Line("condition.neck", 0.031, Decimal("120.00"))
    expected = "Neck wear is light here and moderate on the one sold: +3.1%, +$120."
    assert adjustment(line, here, sold, "USD") == expected
    day = Line("day", -0.04, Decimal("-90"))
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


def test_every_factor_of_a_valuation_has_a_sentence_that_ends_like_one() -> None:
    valuation = Valuer(FakePriceModel(), CATALOGUE, RATES, "v1").value(
        subject(condition_neck=4.0, figure=3.0, provenance_paperwork=True, provenance_case="none")
    )
    found = sentences(valuation, {"condition.top": 0.5})
    assert set(found) == {f.field for family in valuation.families for f in family.factors}
    assert all(s.endswith(".") and s[0].isupper() and "None" not in s for s in found.values())
    assert "50% wider" in found["condition.top"]


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
    said = "Pickups are modern, where a typical one's are original: −9.5%, −$350"
    assert sentence(PICKUPS._replace(basis=basis), "USD") == f"{said}{added}."


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (
            factor("condition.back", None, 1.0, -0.012, "-40"),
            "counted with the usual loss of those left blank: −1.2%, −$40, and the range is 9% wider for it; "
            "mostly common practice.",
        ),
        (
            factor("provenance.paperwork", None, False, -0.012, "-40"),
            "and the range is 9% wider for it; mostly common practice. Photographs of any would help.",
        ),
        (factor("edition_number", 12, None, 0.1, "90"), "Number in the edition is 12: +10.5%, +$90; mostly"),
        (
            factor("figure", 3.0, 3.0, 0.1, "90"),
            "counts differently here: +10.5%, +$90; mostly common practice.",
        ),
    ],
)
def test_lines_of_every_form_say_it(line: Factor, expected: str) -> None:
    assert expected in sentence(line._replace(basis=0.7), "USD", 0.09)


def test_a_line_of_no_effect_says_nothing_of_practice() -> None:
    for line in (factor("build", None, "production", 0.0, "0"), factor("serial", "A 1", None, 0.0, "0")):
        assert sentence(line._replace(basis=1.0), "USD") == sentence(line, "USD")


@pytest.mark.parametrize(
    ("basis", "expected"),
    [
        (0.499, None),
        (
            0.5,
            "50% of the difference from a typical one rests on common practice, the rest on recorded prices.",
        ),
        (
            0.994,
            "99% of the difference from a typical one rests on common practice, the rest on recorded prices.",
        ),
        (1.0, "The whole difference from a typical one rests on common practice."),
    ],
)
def test_the_line_above_all_says_how_much_of_all_rests_on_it(basis: float, expected: str | None) -> None:
    valuation = Valuer(FakePriceModel(), CATALOGUE, RATES, "v1").value(subject(condition_neck=4.0))
    assert foreword(valuation) is None
    assert foreword(replace(valuation, basis=basis)) == expected
