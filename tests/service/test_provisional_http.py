"""A provisional price model over HTTP: the word stands wherever an answer names the model."""

from __future__ import annotations

import csv
import io
import json
from typing import Any

import pytest
from apps import caller_of, parts
from asking import DAL, Caller, assert_problem
from clients import client_of
from fakes import write_fake
from flask import Flask
from price_models import GOOD, another, promote, roll_back
from stock import CSV, NDJSON, ROWS, as_csv, as_ndjson, post

CODE = "provisional_price_model"


@pytest.fixture
def admin(own_app: Flask) -> Caller:
    return caller_of(own_app, "admin", "valuations", "metrics")


@pytest.fixture(params=[False, True])
def wanted(request: pytest.FixtureRequest, admin: Caller) -> bool:
    """Serve a model that is provisional, or one that is not; give which, as answers must say it."""
    version = another(admin, provisional=bool(request.param))
    made = promote(admin, version, force=True, who="Ann")
    assert (made.json["serving"], made.json["provisional"]) == (version, request.param)
    return bool(request.param)


def has_caution(answer: dict[str, Any]) -> bool:
    return CODE in [caution["code"] for caution in answer["cautions"]]


def test_values_ranges_and_reasons_say_it_as_a_member_and_as_a_caution(admin: Caller, wanted: bool) -> None:
    for path in ("/v1/valuations", "/v1/intervals", "/v1/attributions"):
        body = admin.post(path, DAL).json
        assert (body["provisional"], has_caution(body)) == (wanted, wanted)


def test_a_kept_valuation_and_its_parts_go_on_saying_it(admin: Caller) -> None:
    promote(admin, another(admin, provisional=True), force=True, who="Ann")
    kept = admin.value({})
    promote(admin, another(admin))
    assert admin.value({}).json["provisional"] is False
    path = f"/v1/valuations/{kept.json['id']}"
    assert admin.get(path).data == kept.data
    assert kept.json["provisional"] is True
    assert admin.get(f"{path}/sentences").json["provisional"] is True
    changed = admin.post(f"{path}/alternatives", {"alternatives": [{"figure": 3}]})
    assert changed.json["provisional"] is True


def test_a_stock_list_says_it_in_a_header_and_in_each_row(admin: Caller, wanted: bool) -> None:
    found = post(admin, as_csv(ROWS), CSV)
    assert found.headers["Model-Provisional"] == ("true" if wanted else "false")
    cautions = [row["cautions"].split(";") for row in csv.DictReader(io.StringIO(found.text))]
    assert [CODE in codes for codes in cautions] == [wanted] * 4
    found = post(admin, as_ndjson(ROWS), NDJSON)
    assert found.headers["Model-Provisional"] == ("true" if wanted else "false")
    assert [CODE in json.loads(line)["cautions"] for line in found.data.splitlines()] == [wanted] * 4


def test_the_client_knows_it_of_a_list(own_app: Flask, wanted: bool) -> None:
    answer = client_of(own_app).value_csv(io.BytesIO(as_csv(ROWS).encode()))
    assert len(list(answer)) == 5
    assert answer.provisional is wanted


def test_models_catalogue_readiness_and_metrics_say_it(admin: Caller, wanted: bool) -> None:
    listed = admin.get("/v1/price-models").json
    assert [one["provisional"] for one in listed["models"]] == [False, wanted]
    assert admin.get("/v1/price-models/current").json["provisional"] is wanted
    assert admin.get("/v1/catalogue").json["provisional"] is wanted
    assert admin.get("/readyz").json["checks"]["model"]["provisional"] is wanted
    assert f"bookmatch_model_provisional {float(wanted)}" in admin.get("/metrics").text


def test_a_damaged_one_is_neither(admin: Caller) -> None:
    second = another(admin, provisional=True)
    (parts(admin.app).settings.store / "bundles" / second / "manifest.json").write_text("{")
    assert admin.get("/v1/price-models").json["models"][1]["provisional"] is None


def test_a_provisional_model_needs_force_in_place_of_one_that_earned_the_gate(admin: Caller) -> None:
    first, second = parts(admin.app).live.version, another(admin, provisional=True)
    body = assert_problem(promote(admin, second), 409, "gate")
    assert f"it would take the place of {first}, which has earned the gate" in body["detail"]
    assert parts(admin.app).live.version == first
    made = promote(admin, second, force=True, who="Ann")
    assert (made.status_code, made.json["provisional"]) == (200, True)
    assert "(by force; the gate said: provisional: it would take the place of" in made.json["why"]
    # From one provisional model to the next, and on to one that earned the gate, nobody needs force.
    third = another(admin, 9.5, provisional=True)
    assert promote(admin, third).status_code == 200
    back = roll_back(admin, third)
    assert (back.json["serving"], back.json["provisional"]) == (second, True)
    assert promote(admin, another(admin)).json["provisional"] is False


def test_the_first_model_of_a_store_can_be_provisional_without_force(own_app: Flask) -> None:
    admin = caller_of(own_app, "admin")
    store = parts(own_app).settings.store
    (store / "CURRENT").unlink()
    version = write_fake(store, 8.5, provisional=True, gate=GOOD)
    assert promote(admin, version).json["version"] == version
