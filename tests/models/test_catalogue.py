"""The catalogue: read from TOML with every mistake named, looked up by name, held against a specimen."""

from __future__ import annotations

import pytest
from fakes import CATALOGUE

from models.domain.catalogue import Catalogue, read_catalogue
from models.domain.contradictions import contradictions
from models.domain.instrument import Instrument
from models.errors import CatalogueError, UnknownNameError


def codes(**fields: object) -> list[str]:
    it = Instrument("Ostvik", "Fjell 2").but(**fields)  # type: ignore[arg-type]
    return [c.code for c in contradictions(CATALOGUE, it)]


def test_names_are_found_by_the_rule_of_names_and_spelled_as_in_the_catalogue() -> None:
    it = Instrument("OSTVIK", " fjell  2", edition="SOLVERV", finish="tárn")
    assert CATALOGUE.canonical(it) == Instrument("Ostvik", "Fjell 2", edition="Solverv", finish="Tarn")
    assert CATALOGUE.find("seraphine & fils", "etoile").name == "Étoile"


def test_what_the_catalogue_does_not_have_keeps_its_spelling_where_it_is_no_maker_or_model() -> None:
    it = Instrument("Ostvik", "Dal", edition="Nobody's", finish="Plum")
    assert CATALOGUE.canonical(it) == it


def test_an_unknown_maker_and_an_unknown_model_are_refused_with_the_nearest() -> None:
    with pytest.raises(UnknownNameError) as maker:
        CATALOGUE.find("Ostvic", "Dal")
    assert (maker.value.faults[0].field, maker.value.faults[0].suggestions) == ("maker", ("Ostvik",))
    with pytest.raises(UnknownNameError) as model:
        CATALOGUE.find("Ostvik", "Fjel 2")
    assert model.value.faults[0].field == "model"
    assert model.value.faults[0].suggestions[0] == "Fjell 2"


def test_makers_stand_once_in_the_order_of_the_file() -> None:
    assert CATALOGUE.makers == ("Ostvik", "Séraphine & Fils")
    assert [m.name for m in CATALOGUE.of_maker("ostvik")] == ["Fjell 2", "Dal"]


def test_a_specimen_within_the_records_contradicts_nothing() -> None:
    solverv = {"edition": "Solverv", "year": 1965, "edition_number": 120, "finish": "Rowan", "figure": 5.0}
    assert codes(**solverv) == []
    assert codes() == []


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({"year": 1957}, ["year_outside_production"]),
        ({"year": 1970}, ["year_outside_production"]),
        ({"finish": "Plum"}, ["finish_not_offered"]),
        ({"edition": "Nobody's"}, ["edition_not_recorded"]),
        ({"edition": "Solverv", "year": 1966}, ["year_outside_edition"]),
        ({"edition": "Solverv", "edition_number": 121}, ["edition_number_above_total"]),
        ({"edition_number": 3}, ["edition_not_numbered"]),
        ({"year": 1957, "edition": "Solverv", "edition_number": 500}, 3),
    ],
)
def test_what_contradicts_the_records_is_said(fields: dict[str, object], expected: list[str] | int) -> None:
    found = codes(**fields)
    assert found == expected or len(found) == expected


def test_figure_contradicts_only_a_maker_known_to_use_none() -> None:
    figured = Instrument("Ostvik", "Dal", figure=3.0)
    assert [c.code for c in contradictions(CATALOGUE, figured)] == ["figure_not_offered"]
    unknown = Instrument("Séraphine & Fils", "Étoile", figure=3.0)
    assert contradictions(CATALOGUE, unknown) == ()


def test_the_detail_names_both_sides() -> None:
    (found,) = contradictions(CATALOGUE, Instrument("Ostvik", "Fjell 2", year=1957))
    assert "1957" in found.detail and "1958–1969" in found.detail and found.field == "year"


MINIMAL = '[[model]]\nmaker = "A"\nname = "B"\nfirst_year = 1960\nlast_year = 1961\n'


def test_only_the_required_keys_are_needed_and_a_bom_or_crlf_does_no_harm() -> None:
    assert len(read_catalogue(MINIMAL).models) == 1
    assert read_catalogue("\ufeff" + MINIMAL.replace("\n", "\r\n")).models == read_catalogue(MINIMAL).models


def test_unknown_keys_are_kept_as_ignored() -> None:
    assert read_catalogue(MINIMAL + "colour = 3\n").ignored == ("colour",)


def test_a_whole_number_with_a_point_is_that_number() -> None:
    (model,) = read_catalogue(MINIMAL.replace("1960", "1960.0")).models
    assert model.first_year == 1960 and isinstance(model.first_year, int)


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("", "[[model]]"),
        ("model = 3", "[[model]]"),
        ("[[model]\n", "not TOML"),
        (MINIMAL.replace('"A"', "A"), "text stands between straight quotes"),
        (MINIMAL.replace('"A"', "3"), "maker = 3 is not text between quotes"),
        (MINIMAL.replace("1960", '"1960"'), "'1960' is not a whole number without quotes"),
        (MINIMAL.replace('name = "B"\n', ""), "name is required"),
        (MINIMAL.replace("1960", '"1960"'), "first_year"),
        (MINIMAL.replace("1960", "true"), "first_year"),
        (MINIMAL.replace("1960", "1960.5"), "first_year"),
        (MINIMAL.replace("1961", "1959"), "before first_year"),
        (MINIMAL + 'body = "liquid"', "solid, semi, hollow"),
        (MINIMAL + 'finish = [{ name = "F", share = 1.5 }]', "0 to 1"),
        (MINIMAL + 'finish = [{ name = "F" }, { name = " f" }]', "stands twice"),
        (MINIMAL + 'edition = [{ name = "E", production_total = 0 }]', "at least 1"),
        (MINIMAL + "edition = [{ numbered = true }]", "name is required"),
        (MINIMAL + "edition = [3]", "not a table"),
        (MINIMAL + 'edition = [{ name = "Standard" }]', "there is none"),
        (MINIMAL + 'finish = [{ name = "Unknown" }]', "there is none"),
        (MINIMAL + 'watchpoint = [{ part = "nut" }]', "note is required"),
        (MINIMAL + MINIMAL.replace('"A"', '"a"'), "stands twice"),
    ],
)
def test_a_catalogue_that_is_wrong_says_where(text: str, named: str) -> None:
    with pytest.raises(CatalogueError) as caught:
        read_catalogue(text)
    assert named in str(caught.value)


def test_the_source_gives_the_catalogue_again() -> None:
    again = read_catalogue(CATALOGUE.source)
    assert isinstance(again, Catalogue) and again == CATALOGUE


def test_an_unknown_maker_is_told_the_few_that_there_are() -> None:
    text = "".join(
        f'[[model]]\nmaker = "Maker {n}"\nname = "One"\nfirst_year = 1960\nlast_year = 1970\n'
        for n in range(13)
    )
    few = text[: text.index('[[model]]\nmaker = "Maker 2"')]
    for catalogue, allowed, step in (
        (few, "Maker 0, Maker 1", "choose one of these, or have it added to the catalogue"),
        (text, "", "see the catalogue for its makers, or have it added to the catalogue"),
    ):
        with pytest.raises(UnknownNameError) as caught:
            read_catalogue(catalogue).find("Zyx", "One")
        (fault,) = caught.value.faults
        assert (fault.allowed, fault.next_step) == (allowed, step)
