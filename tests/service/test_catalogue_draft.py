"""The catalogue as the next fit is to have it: added to, corrected and taken out over HTTP."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import Caller, assert_problem
from fakes import CATALOGUE
from flask import Flask
from sqlalchemy import delete

from models.domain.catalogue import Model, as_toml, read_catalogue
from service.db.engine import writing
from service.db.tables import CATALOGUE_ENTRIES

DRAFT = "/v1/catalogue/draft"
DAL = f"{DRAFT}/makers/Ostvik/models/Dal"
VIK = f"{DRAFT}/makers/Ostvik/models/Vik 7"
WHOLE: dict[str, Any] = {
    "first_year": 1966,
    "last_year": 1968,
    "body": "semi",
    "figured_top": False,
    "finish": [{"name": "Tarn", "share": 0.25}, {"name": 'The "other"'}],
    "edition": [{"name": "Sølv", "first_year": 1967, "production_total": 40, "numbered": True}],
    "watchpoint": [{"part": "neck", "note": "Look below the nut \\ by daylight."}],
}


@pytest.fixture
def clerk(shared_app: Flask) -> Caller:
    with writing(parts(shared_app).engine) as connection:
        connection.execute(delete(CATALOGUE_ENTRIES))
    return caller_of(shared_app, "requests", "valuations")


def test_at_first_the_draft_is_the_served_catalogue_and_its_file_the_same_text(clerk: Caller) -> None:
    found = clerk.get(DRAFT).json
    assert [(one["maker"], one["name"]) for one in found["models"]] == [
        (model.maker, model.name) for model in CATALOGUE.models
    ]
    assert {one["status"] for one in found["models"]} == {"same"} and found["differing"] == 0
    file = clerk.get(f"{DRAFT}.toml")
    assert (file.mimetype, file.text) == ("application/toml", CATALOGUE.source)


def test_a_new_model_is_in_the_draft_and_its_file_and_changes_nothing_that_is_served(clerk: Caller) -> None:
    before = clerk.get("/v1/catalogue").data
    made = clerk.ask("put", VIK, WHOLE)
    assert made.status_code == 200, made.text
    assert (made.json["status"], made.json["version"], made.json["served"]) == ("new", 1, None)
    assert made.json["entry"] == {"maker": "Ostvik", "name": "Vik 7", **WHOLE}
    path = "/v1/catalogue/draft/makers/Ostvik/models/Vik%207"
    assert (clerk.get(path).data, made.headers["Content-Location"]) == (made.data, path)
    assert clerk.get("/v1/catalogue").data == before
    last = tomllib.loads(clerk.get(f"{DRAFT}.toml").text)["model"][-1]
    assert last == {"maker": "Ostvik", "name": "Vik 7", **WHOLE}


def test_a_correction_says_what_is_served_and_sending_that_undoes_it(clerk: Caller) -> None:
    served = clerk.get(DAL).json["entry"]
    changed = clerk.ask("put", DAL.replace("Ostvik", " OSTVIK "), {**served, "last_year": 1975}).json
    assert (changed["status"], changed["maker"], changed["served"]) == ("changed", "Ostvik", served)
    assert clerk.get(DRAFT).json["differing"] == 1
    assert clerk.ask("put", DAL, served).json["status"] == "same"
    assert clerk.get(f"{DRAFT}.toml").text == CATALOGUE.source


def test_a_model_that_is_taken_out_is_missing_in_the_file_until_it_is_sent_again(clerk: Caller) -> None:
    served = clerk.get(DAL).json["entry"]
    gone = clerk.ask("delete", DAL)
    assert (gone.json["status"], gone.json["served"]) == ("removed", served)
    assert "Dal" not in [one.name for one in read_catalogue(clerk.get(f"{DRAFT}.toml").text).models]
    assert clerk.ask("put", DAL, served).json["version"] == 2
    assert clerk.get(DAL).json["status"] == "same"


def test_a_new_model_that_is_taken_out_is_gone(clerk: Caller) -> None:
    clerk.ask("put", VIK, WHOLE)
    assert clerk.ask("delete", VIK).json["status"] == "removed"
    body = assert_problem(clerk.get(VIK), 404, "name")
    assert "Fjell 2" in body["errors"][0]["allowed"]
    assert_problem(clerk.ask("delete", VIK), 404, "name")
    assert clerk.get(f"{DRAFT}.toml").text == CATALOGUE.source


def test_two_who_correct_a_model_do_not_overwrite_each_other(clerk: Caller) -> None:
    tag = clerk.get(DAL).headers["ETag"]
    served = clerk.get(DAL).json["entry"]
    made = clerk.ask("put", DAL, {**served, "last_year": 1975}, **{"If-Match": tag})
    for method, body in (("put", served), ("delete", None)):
        assert_problem(clerk.ask(method, DAL, body, **{"If-Match": tag}), 412, "precondition")
    assert clerk.ask("delete", DAL, **{"If-Match": made.headers["ETag"]}).status_code == 200
    assert_problem(clerk.ask("put", VIK, WHOLE, **{"If-Match": "*"}), 412, "precondition")


@pytest.mark.parametrize(
    ("wrong", "pointer", "problem"),
    [
        ({"first_year": None}, "#/first_year", "is required"),
        ({"first_year": "1960"}, "#/first_year", "is not a whole number"),
        ({"last_year": 1960}, "#/last_year", "is before first_year 1966"),
        ({"last_year": 10**9}, "#/last_year", "is out of range"),
        ({"body": "liquid"}, "#/body", "is no kind of body"),
        ({"finish": [{"name": "A"}, {"name": " a"}]}, "#/finish/1/name", "stands twice"),
        ({"finish": [{"name": "A", "share": 1.5}]}, "#/finish/0/share", "is no share"),
        ({"finish": ["A"]}, "#/finish/0", "is not a table"),
        ({"finish": "A"}, "#/finish", "is not a list"),
        ({"finish": [{"name": "A", "x": 1}]}, "#/finish/0/x", "is not a field"),
        ({"finish": [{"name": str(n)} for n in range(201)]}, "#/finish", "has too many entries"),
        ({"edition": [{"name": "Standard"}]}, "#/edition/0/name", "is a word that says"),
        ({"edition": [{"name": "E", "production_total": 0}]}, "#/edition/0/production_total", "is out of"),
        ({"watchpoint": [{"part": "neck"}]}, "#/watchpoint/0/note", "is required"),
        ({"watchpoint": [{"part": "neck", "note": "x" * 501}]}, "#/watchpoint/0/note", "is not such a text"),
        ({"watchpoint": [{"part": "n\x00", "note": "x"}]}, "#/watchpoint/0/part", "holds a control"),
        ({"name": "Vik 8"}, "#/name", "is not the name of the path"),
        ({"colour": "red"}, "#/colour", "is not a field"),
    ],
)
def test_what_is_wrong_is_named_by_its_place(
    clerk: Caller, wrong: dict[str, Any], pointer: str, problem: str
) -> None:
    found = assert_problem(clerk.ask("put", VIK, {**WHOLE, **wrong}), 422, "fields")
    assert [(one["pointer"], one["problem"][: len(problem)]) for one in found["errors"]] == [
        (pointer, problem)
    ]
    assert clerk.get(VIK).status_code == 404


def test_a_misspelt_key_is_told_the_nearest_of_its_own_table(clerk: Caller) -> None:
    wrong = {"editon": [], "finish": [{"name": "A", "shair": 0.5}]}
    found = assert_problem(clerk.ask("put", VIK, {**WHOLE, **wrong}), 422, "fields")
    told = {one["field"]: (one["next_step"], one["allowed"]) for one in found["errors"]}
    assert told["finish.0.shair"] == ("did you mean share?", "name, share")
    assert told["editon"][0] == "did you mean edition?" and "watchpoint" in told["editon"][1]


def test_a_name_that_cannot_be_kept_is_refused(clerk: Caller) -> None:
    for name in ("x" * 201, "a%00b", "%20"):
        found = assert_problem(clerk.ask("put", f"{DRAFT}/makers/{name}/models/Dal", WHOLE), 422, "fields")
        assert (found["errors"][0]["pointer"], found["errors"][0]["field"]) == (None, "maker")


@pytest.fixture
def empty(backend: str, new_database: NewDatabase, tmp_path: Any) -> Iterator[Flask]:
    app = make_app(tmp_path / "none", new_database(backend))
    yield app
    parts(app).engine.dispose()


def test_before_a_price_model_serves_the_draft_is_what_was_added(empty: Flask) -> None:
    clerk = caller_of(empty, "admin")
    assert clerk.get(DRAFT).json == {"model_version": None, "differing": 0, "models": []}
    assert clerk.ask("put", VIK, {"first_year": 1966, "last_year": 1968}).json["status"] == "new"
    assert read_catalogue(clerk.get(f"{DRAFT}.toml").text).models == (Model("Ostvik", "Vik 7", 1966, 1968),)


def test_what_is_written_as_toml_is_read_back_as_it_was() -> None:
    assert read_catalogue(as_toml(CATALOGUE.models)).models == CATALOGUE.models
    odd = Model('a "b" \\ \x7f \U0001f3b8 é', "x", 1, 2, "hollow", True)
    assert read_catalogue(as_toml([odd])).models == (odd,)
