"""Names match without regard to case, accents and spaces, and a wrong one is answered with the nearest."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.domain.names import nearest, normal, normal_serial


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("OSTVIK", "Ostvik"),
        ("  ostvik ", "Ostvik"),
        ("Fjell   2", "fjell 2"),
        ("Fjell\u00a02", "fjell 2"),
        ("ÉTOILE", "etoile"),
        ("E\u0301toile", "Étoile"),  # the accent as a character of its own
        ("Straße", "STRASSE"),
        ("Ｆｊｅｌｌ", "Fjell"),  # full-width letters
        ("İris", "iris"),
    ],
)
def test_names_that_mean_the_same_are_the_same(written: str, meant: str) -> None:
    assert normal(written) == normal(meant)


@pytest.mark.parametrize(("one", "other"), [("Fjell 2", "Fjell 3"), ("Fjell 2", "Fjell2"), ("Dal", "Dale")])
def test_names_that_differ_stay_apart(one: str, other: str) -> None:
    assert normal(one) != normal(other)


@given(st.text(max_size=40))
def test_the_normal_form_is_its_own_normal_form(name: str) -> None:
    assert normal(normal(name)) == normal(name)


def test_serials_compare_without_spaces_and_case_only() -> None:
    assert normal_serial(" ab 12-3 ") == normal_serial("AB12-3")
    assert normal_serial("AB123") != normal_serial("AB12-3")


def test_the_nearest_name_comes_first_as_it_is_spelled() -> None:
    among = ("Fjell 2", "Dal", "Étoile", "Fjord")
    assert nearest("fjel 2", among)[0] == "Fjell 2"
    assert nearest("etoille", among)[0] == "Étoile"
    assert nearest("zzzzzz", among) == ()
    assert len(nearest("fj", ("fja", "fjb", "fjc", "fjd"), 2)) == 2


MAKERS = ("Quillorne", "Ondleby and Daughters", "Tarvessa", "Brackenhythe", "Thornquay Cooperative")


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("Nobody At All", ()),
        ("Something Else Entirely", ()),
        ("Quillorn", ("Quillorne",)),
        ("Quillorne Guitars", ("Quillorne",)),
        ("Ondleby", ("Ondleby and Daughters",)),
        ("ondelby", ("Ondleby and Daughters",)),
        ("Daugthers", ("Ondleby and Daughters",)),
        ("Thornquay Coop", ("Thornquay Cooperative",)),
    ],
)
def test_a_name_that_is_far_is_not_suggested_and_a_part_of_one_is_near(
    written: str, meant: tuple[str, ...]
) -> None:
    assert nearest(written, MAKERS) == meant


def test_a_code_of_three_letters_is_not_near_because_of_two() -> None:
    assert nearest("EURO", ("USD", "EUR", "RON", "ROL")) == ("EUR",)


def test_a_name_that_is_near_in_several_ways_stands_once() -> None:
    among = ("Low Heddle", "Heddle Major", "Heddle", "Trundle")
    assert nearest("Heddel", among) == ("Heddle", "Low Heddle")
