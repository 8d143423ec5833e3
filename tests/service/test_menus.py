"""The catalogue and the vocabulary: what a form's menus need."""

from __future__ import annotations

from pathlib import Path

import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import Caller, assert_problem
from fakes import CATALOGUE, RATES, FakePriceModel

from models.bundles.bundle import write_bundle
from models.bundles.registry import Registry
from models.domain.catalogue import read_catalogue
from models.domain.instrument import Instrument, Subject
from models.domain.parsing import Note
from models.domain.vocabulary import FIELDS
from models.valuation.caution_texts import CODES
from models.valuation.cautions import Grounds, cautions_for
from models.valuation.valuer import DEFAULT_LEVELS

FJELL = {
    "maker": "Ostvik",
    "name": "Fjell 2",
    "first_year": 1958,
    "last_year": 1969,
    "body": "solid",
    "figured_top": True,
    "finishes": [{"name": "Tarn", "share": 0.7}, {"name": "Rowan", "share": 0.05}],
    "editions": [
        {
            "name": "Solverv",
            "first_year": 1964,
            "last_year": 1965,
            "production_total": 120,
            "numbered": True,
        }
    ],
    "watchpoints": [{"part": "pickups", "note": "one of the two is often rewound"}],
}


def test_the_whole_catalogue_at_once(caller: Caller) -> None:
    body = caller.get("/v1/catalogue").json
    assert [maker["name"] for maker in body["makers"]] == ["Ostvik", "Séraphine & Fils"]
    assert body["makers"][0]["models"][0] == FJELL
    assert [model["name"] for model in body["makers"][0]["models"]] == ["Fjell 2", "Dal"]


def test_makers_and_their_models_by_name(caller: Caller) -> None:
    makers = caller.get("/v1/catalogue/makers").json["makers"]
    assert makers[1] == {"name": "Séraphine & Fils", "models": ["Étoile"]}
    assert caller.get("/v1/catalogue/makers/Ostvik").json == {"name": "Ostvik", "models": ["Fjell 2", "Dal"]}
    models = caller.get("/v1/catalogue/makers/Ostvik/models").json["models"]
    assert [model["name"] for model in models] == ["Fjell 2", "Dal"]


def test_one_model_and_what_is_known_of_it(caller: Caller) -> None:
    path = "/v1/catalogue/makers/Ostvik/models/Fjell 2"
    assert caller.get(path).json == FJELL
    for part in ("editions", "finishes", "watchpoints"):
        assert caller.get(f"{path}/{part}").json == {part: FJELL[part]}
    empty = caller.get("/v1/catalogue/makers/Ostvik/models/Dal").json
    assert (empty["body"], empty["figured_top"], empty["editions"]) == (None, False, [])


@pytest.mark.parametrize(
    "maker", ["séraphine & fils", "SERAPHINE & FILS", "  Seraphine  &  Fils ", "Séraphine%0A& Fils"]
)
def test_names_match_without_case_accents_and_spaces(caller: Caller, maker: str) -> None:
    assert caller.get(f"/v1/catalogue/makers/{maker}/models/ETOILE").json["name"] == "Étoile"


def test_names_with_a_slash_have_a_place_of_their_own(tmp_path: Path, new_database: NewDatabase) -> None:
    source = '[[model]]\nmaker = "Brog/Ylmö"\nname = "A/B 1"\nfirst_year = 1960\nlast_year = 1961\n'
    catalogue, store = read_catalogue(CATALOGUE.source + source), tmp_path / "store"
    version = write_bundle(store, FakePriceModel(), catalogue, RATES, {})
    Registry(store).promote(version, who="tests", why="to serve")
    caller = caller_of(make_app(store, new_database("sqlite")))
    for slash in ("/", "%2F", "%2f"):
        maker = f"/v1/catalogue/makers/Brog{slash}Ylmö"
        assert caller.get(maker).json["models"] == ["A/B 1"]
        assert caller.get(f"{maker}/models").json["models"][0]["name"] == "A/B 1"
        model = f"{maker}/models/A{slash}B 1"
        assert caller.get(model).json["maker"] == "Brog/Ylmö"
        assert caller.get(f"{model}/watchpoints").json == {"watchpoints": []}
    parts(caller.app).engine.dispose()


def test_unknown_names_are_not_there_and_the_nearest_are_named(caller: Caller) -> None:
    for path, nearest in (
        ("/v1/catalogue/makers/Ostvig", "Ostvik"),
        ("/v1/catalogue/makers/Ostvig/models", "Ostvik"),
        ("/v1/catalogue/makers/Ostvik/models/Dall", "Dal"),
        ("/v1/catalogue/makers/Ostvik/models/Fjel 2/finishes", "Fjell 2"),
        ("/v1/catalogue/makers/Ostv%0Aig/models", "Ostvik"),
        ("/v1/catalogue/makers/Ostvik/models/Da%0All/editions", "Dal"),
    ):
        body = assert_problem(caller.get(path), 404, "name")
        assert body["errors"][0]["suggestions"][0] == nearest
        assert body["errors"][0]["pointer"] is None
    assert_problem(caller.get("/v1/catalogue/makers/" + "x" * 5000), 404, "name")


def test_the_vocabulary_has_every_field_with_what_a_form_needs(caller: Caller) -> None:
    body = caller.get("/v1/vocabulary").json
    assert [entry["path"] for entry in body["fields"]] == [field.path for field in FIELDS]
    by_path = {entry["path"]: entry for entry in body["fields"]}
    assert by_path["condition.neck"] == {
        "path": "condition.neck",
        "name": "condition_neck",
        "type": "grade",
        "label": "neck wear",
        "meaning": "wear of the neck: 0 none, 1 traces, 2 light, 3 moderate, 4 heavy, 5 worn through",
        "family": "condition",
        "required": False,
        "terms": [
            {"name": "0", "value": 0, "meaning": "none"},
            {"name": "1", "value": 1, "meaning": "traces"},
            {"name": "2", "value": 2, "meaning": "light"},
            {"name": "3", "value": 3, "meaning": "moderate"},
            {"name": "4", "value": 4, "meaning": "heavy"},
            {"name": "5", "value": 5, "meaning": "worn through"},
        ],
        "low": 0,
        "high": 5,
        "between_terms": True,
        "loss_ordered": True,
    }
    assert [t["name"] for t in by_path["originality.nut"]["terms"]] == [
        "original",
        "period",
        "modern",
        "missing",
    ]
    assert [t["value"] for t in by_path["originality.nut"]["terms"]] == [
        "original",
        "period",
        "modern",
        "missing",
    ]
    assert [entry["path"] for entry in body["fields"] if entry["required"]] == ["maker", "model"]
    assert all(entry["label"] and entry["meaning"] for entry in body["fields"])


def test_the_vocabulary_has_the_words_of_requests_and_answers(caller: Caller) -> None:
    body = caller.get("/v1/vocabulary").json
    assert [term["name"] for term in body["channels"]] == ["private", "dealer", "auction", "online"]
    assert [term["name"] for term in body["kinds"]] == ["sale", "asking", "offer"]
    assert [term["name"] for term in body["evidence"]] == ["many", "several", "few", "none"]
    assert body["families"] == ["identity", "rarity", "condition", "originality", "provenance", "market"]
    assert body["currencies"] == ["USD", "EUR", "JPY", "KWD"] and body["default_channel"] == "private"
    assert body["levels"] == {"default": list(DEFAULT_LEVELS), "low": 0.01, "high": 0.99, "most": 20}


def test_every_caution_that_can_be_given_is_in_the_vocabulary() -> None:
    import datetime as dt

    odd = {
        "year": 2050,
        "finish": "Nowhere",
        "edition_number": 500,
        "figure": 3.0,
        "originality_pickups": "missing",
        "condition_electronics": "working",
        "provenance_paperwork": True,
    }
    given = set()
    for model in ("Fjell 2", "Dal"):
        for edition in (None, "Solverv", "Unheard of"):
            it = Instrument("Ostvik", model).but(edition=edition, **odd)
            notes = (Note("edition", "standard"), Note("serial", "?"))
            subject = Subject(it, dt.date(2026, 1, 1), "private", notes)
            grounds = Grounds(0, dt.date(2026, 2, 1), dt.date(2020, 1, 1), dt.date(2025, 1, 1), True, True)
            given |= {c.code for c in cautions_for(subject, CATALOGUE, grounds)}
    bare = Subject(Instrument("Ostvik", "Dal"), dt.date(2026, 1, 1), "private")
    given |= {c.code for c in cautions_for(bare, CATALOGUE, Grounds(9, None, None))}
    assert given == set(CODES)
