"""Models over HTTP: listed with their figures, promoted and rolled back on the record, refused if damaged."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import DAL, Caller, assert_problem, faults_of
from described import validator
from fakes import write_fake
from flask import Flask
from forged import forged
from price_models import GOOD, WHY, another, damage, promote, roll_back, store_of

from models.bundles.folder import CURRENT
from models.bundles.registry import Registry

BAD = {
    "passed": False,
    "checks": [{"name": "coverage at 90%", "passed": False, "detail": "70% of 90 sales inside"}],
    "common_sales": 0,
}


@pytest.fixture
def admin(own_app: Flask) -> Caller:
    return caller_of(own_app, "admin", "valuations")


def value_of(caller: Caller) -> tuple[str, str]:
    body = caller.post("/v1/attributions", DAL).json
    return body["model_version"], body["value"]


# ── what there is ────────────────────────────────────────────────────────────


def test_models_are_listed_with_the_figures_of_their_cards(admin: Caller) -> None:
    first = parts(admin.app).live.version
    judged = {"sales": 90, "median_error": {"value": 9.1}}
    second = another(admin, judged=judged, evidence={"rows": 700, "sale": 300})
    listed = admin.get("/v1/price-models").json
    assert (listed["current"], listed["serving"], listed["refused"]) == (first, first, None)
    assert [(one["version"], one["current"]) for one in listed["models"]] == [(first, True), (second, False)]
    found = listed["models"][1]
    assert (found["judged"], found["gate"], found["evidence"]["sale"]) == (judged, GOOD, 300)
    assert admin.get(f"/v1/price-models/{second}").json == found
    assert admin.get("/v1/price-models/current").json == listed["models"][0]


def test_each_has_its_card(admin: Caller) -> None:
    second = another(admin)
    assert admin.get(f"/v1/price-models/{second}/card").json["base"] == 9.0
    assert admin.get("/v1/price-models/current/card").json["base"] == 8.0
    page = admin.get(f"/v1/price-models/{second}/card.html", Accept="text/html")
    assert page.mimetype == "text/html" and "default-src 'none'" in page.headers["Content-Security-Policy"]
    # That of a version never changes; that of the current one does.
    assert "immutable" in page.headers["Cache-Control"]
    assert "immutable" not in admin.get("/v1/price-models/current/card").headers["Cache-Control"]


@pytest.mark.parametrize(
    "version", ["nothing", "20260101T000000000Z-00000000", "..", "%2e%2e%2fCURRENT", "%00"]
)
def test_a_version_that_is_not_there(admin: Caller, version: str) -> None:
    for path in ("", "/card", "/card.html"):
        found = admin.get(f"/v1/price-models/{version}{path}")
        assert found.status_code == 404 and str(store_of(admin)) not in found.text
    for name in ("promote", "rollback"):
        assert admin.post(f"/v1/price-models/{version}/{name}", WHY).status_code in (404, 409)


def test_a_damaged_one_is_listed_as_such_and_hides_no_other(admin: Caller) -> None:
    second, third = another(admin), another(admin, 9.5)
    damage(store_of(admin), second)
    (store_of(admin) / "bundles" / third / "manifest.json").write_text("{")
    listed = {one["version"]: one for one in admin.get("/v1/price-models").json["models"]}
    assert len(listed) == 3 and "manifest.json" in listed[third]["problem"]
    assert "fake.json" in admin.get(f"/v1/price-models/{second}").json["problem"]  # every file is looked at
    assert_problem(admin.get(f"/v1/price-models/{third}/card"), 422, "model-refused")
    assert str(store_of(admin)) not in json.dumps(listed)


def test_a_store_without_models(tmp_path: Path, new_database: NewDatabase) -> None:
    admin = caller_of(make_app(tmp_path / "nothing", new_database("sqlite")), "admin")
    listed = admin.get("/v1/price-models").json
    assert (listed["models"], listed["current"], listed["serving"]) == ([], None, None) and listed["refused"]
    assert admin.get("/v1/price-models/changes").json == {"changes": []}
    for path in ("", "/card", "/card.html"):
        assert_problem(admin.get(f"/v1/price-models/current{path}"), 503, "no-model")
    version = write_fake(tmp_path / "nothing", gate=GOOD)
    assert promote(admin, version).json["before"] is None
    assert admin.get("/readyz").status_code == 200


# ── promotion ────────────────────────────────────────────────────────────────


def test_what_is_promoted_serves_at_once_and_who_and_why_are_kept(admin: Caller) -> None:
    first, second = value_of(admin)[0], another(admin)
    made = promote(admin, second)
    assert made.status_code == 200
    key_id = (admin.key or "").split("_")[1]
    wanted = ("promote", second, first, f"tests (key {key_id})", "newer sales", True, second, None)
    names = ("action", "version", "before", "who", "why", "done", "serving", "refused")
    assert tuple(made.json[name] for name in names) == wanted
    assert value_of(admin) == (second, "8103.08")  # e^9, from tables
    kept = Registry(store_of(admin)).history()[-1]
    assert (kept.who, kept.why) == wanted[3:5]
    assert admin.get("/v1/price-models/changes").json["changes"][0]["version"] == second


def test_to_promote_the_current_one_again_changes_nothing(admin: Caller) -> None:
    second = another(admin)
    first = promote(admin, second, who="Ann")
    again = promote(admin, second, who="Bo")
    assert (first.json["done"], again.json["done"]) == (True, False)
    assert again.json["who"].startswith("Ann") and len(Registry(store_of(admin)).history()) == 2


@pytest.mark.parametrize("gate", [BAD, None])
def test_the_gate_is_overridden_on_the_record_or_not_at_all(admin: Caller, gate: Any) -> None:
    first, second = value_of(admin)[0], another(admin, gate=gate)
    body = assert_problem(promote(admin, second), 409, "gate")
    assert "70% of 90 sales inside" in body["detail"] if gate else "without being judged" in body["detail"]
    assert set(faults_of(promote(admin, second, force=True))) == {"#/who"}
    assert value_of(admin)[0] == first
    made = promote(admin, second, force=True, who="Ann")
    assert made.status_code == 200 and value_of(admin)[0] == second
    assert made.json["who"].startswith("Ann (key ") and "by force; the gate said: " in made.json["why"]


@pytest.mark.parametrize("harm", ["file", "manifest", "reader"])
def test_a_damaged_one_is_refused_and_the_current_one_goes_on_serving(
    admin: Caller, harm: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, second = value_of(admin), another(admin)
    if harm == "file":
        damage(store_of(admin), second)
    elif harm == "manifest":
        (store_of(admin) / "bundles" / second / "manifest.json").write_text("{")
    else:
        monkeypatch.setattr(parts(admin.app).live, "_read_model", lambda *_: 1 / 0)
    body = assert_problem(promote(admin, second, force=True, who="Ann"), 422, "model-refused")
    assert second in body["detail"] and str(store_of(admin)) not in body["detail"]
    assert value_of(admin) == before and Registry(store_of(admin)).current().version == before[0]
    assert admin.get("/readyz").json["checks"]["model"]["refused"] is None


def test_one_that_is_damaged_once_it_is_current_is_said_to_be_refused(admin: Caller) -> None:
    first, second = value_of(admin)[0], another(admin)
    damage(store_of(admin), second)
    state = json.loads((store_of(admin) / CURRENT).read_text())
    (store_of(admin) / CURRENT).write_text(json.dumps({**state, "version": second}))
    parts(admin.app).live.look()
    assert admin.get("/readyz").json["checks"]["model"]["refused"]
    listed = admin.get("/v1/price-models").json
    assert (listed["current"], listed["serving"]) == (second, first) and listed["refused"]


# ── rolling back ─────────────────────────────────────────────────────────────


def test_rollbacks_go_back_one_by_one_and_each_is_done_once(admin: Caller, own_app: Flask) -> None:
    first, second, third = value_of(admin)[0], another(admin), another(admin, 9.5)
    promote(admin, second)
    promote(admin, third)
    made = roll_back(admin, third, who="Ann")
    assert (made.json["version"], made.json["before"], made.json["done"]) == (second, third, True)
    assert value_of(admin)[0] == second
    again = roll_back(admin, third)  # the answer was lost
    assert (again.status_code, again.json["done"], again.json["who"]) == (200, False, made.json["who"])
    assert value_of(admin)[0] == second
    assert roll_back(admin, second).json["version"] == value_of(admin)[0] == first
    assert_problem(roll_back(admin, third), 409, "model-changed")
    assert_problem(roll_back(admin, first), 409, "no-earlier")
    document = own_app.test_client().get("/openapi.json").json
    described = document["paths"]["/v1/price-models/{version}/rollback"]["post"]["responses"]["200"]
    validator(document, described["content"]["application/json"]["schema"]).validate(made.json)


def test_what_another_worker_did_serves_here_too_when_it_is_asked_again(admin: Caller) -> None:
    first, second = value_of(admin)[0], another(admin)
    promote(admin, second)
    Registry(store_of(admin)).rollback(who="Ann", why="its answer was lost")
    again = roll_back(admin, second)
    assert (again.json["done"], again.json["serving"]) == (False, first) == (False, value_of(admin)[0])
    Registry(store_of(admin)).promote(second, who="Ann", why="its answer was lost")
    again = promote(admin, second)
    assert (again.json["done"], again.json["serving"]) == (False, second) == (False, value_of(admin)[0])


def test_one_that_cannot_be_gone_back_to(admin: Caller) -> None:
    first, second = value_of(admin)[0], another(admin)
    promote(admin, second)
    damage(store_of(admin), first)
    assert_problem(roll_back(admin, second), 422, "model-refused")
    assert value_of(admin)[0] == second


# ── who may, and what is sent ────────────────────────────────────────────────


def test_models_are_shown_to_admin_and_changed_by_admin_alone(own_app: Flask) -> None:
    version = parts(own_app).live.version
    for scope, seen in (("valuations", 403), ("admin", 200), ("evidence", 403)):
        caller = caller_of(own_app, scope)
        for path in ("", "/current", "/current/card", "/current/card.html", f"/{version}"):
            assert caller.get(f"/v1/price-models{path}").status_code == seen
        if scope != "admin":
            assert_problem(caller.get("/v1/price-models/changes"), 403, "scope")
            assert_problem(promote(caller, str(version)), 403, "scope")
            assert_problem(roll_back(caller, str(version)), 403, "scope")


@pytest.mark.parametrize(
    ("asked", "pointers"),
    [
        ({}, {"#/why"}),
        ({"why": ""}, {"#/why"}),
        ({"why": "x" * 501, "who": 3}, {"#/why", "#/who"}),
        ({"why": "a\nb"}, {"#/why"}),
        ({"why": "good", "force": "yes"}, {"#/force"}),
        ({"why": "good", "because": "x"}, {"#/because"}),
    ],
)
def test_what_is_wrong_with_a_reason(admin: Caller, asked: dict[str, Any], pointers: set[str]) -> None:
    found = admin.post(f"/v1/price-models/{another(admin)}/promote", asked)
    assert set(faults_of(found)) == pointers


def test_null_is_the_same_as_nothing(admin: Caller) -> None:
    second = another(admin)
    assert promote(admin, second, who=None, force=None).status_code == 200
    assert roll_back(admin, second, who=None).status_code == 200


def test_a_store_that_cannot_be_written(admin: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    before, second = value_of(admin), another(admin)

    def full(*_: Any) -> None:
        raise OSError(28, os.strerror(28), str(store_of(admin)))

    monkeypatch.setattr("models.bundles.folder.write_durably", full)
    body = assert_problem(promote(admin, second), 503, "model-store")
    assert str(store_of(admin)) not in json.dumps(body)
    assert value_of(admin) == before


# ── bundles of strangers ─────────────────────────────────────────────────────


def test_a_bundle_that_says_nothing_of_its_fit_is_listed_as_damaged(admin: Caller) -> None:
    first = parts(admin.app).live.version
    forgery = forged(
        store_of(admin), another(admin), "manifest.json", lambda manifest: manifest.update(about=None)
    )
    listed = admin.get("/v1/price-models")
    assert listed.status_code == 200
    problems = {one["version"]: one["problem"] for one in listed.json["models"]}
    assert problems[first] is None and "about" in problems[forgery]
    assert "about" in admin.get(f"/v1/price-models/{forgery}").json["problem"]
    for path in ("card", "card.html"):
        assert_problem(admin.get(f"/v1/price-models/{forgery}/{path}"), 422, "model-refused")
    assert_problem(promote(admin, forgery, force=True, who="Ann"), 422, "model-refused")


@pytest.mark.parametrize("base", ["NaN", "Infinity", "5000", '"8"'])
def test_a_bundle_whose_values_are_no_numbers_is_not_promoted(admin: Caller, base: str) -> None:
    before = value_of(admin)
    forgery = forged(
        store_of(admin), another(admin), "fake.json", lambda state: state.update(base=json.loads(base))
    )
    assert_problem(promote(admin, forgery, force=True, who="Ann"), 422, "model-refused")
    assert value_of(admin) == before and admin.get("/v1/price-models").json["current"] == before[0]
