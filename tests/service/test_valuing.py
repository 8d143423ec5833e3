"""Valuations over HTTP, on a model whose figures can be worked out by hand.

The fake: log value = 8 − .1 for each step of loss + .2 for each step of figure − .05 at a dealer's. Its
reference has light wear (2) on all six parts. Powers of e are from tables: e^8 = 2980.957987,
e^7.7 = 2208.347992, e^7.65 = 2100.645589, e^6.8 = 897.847292.
"""

from __future__ import annotations

import re
from decimal import Decimal
from pathlib import Path

import pytest
from apps import NewDatabase, caller_of, kept_valuations, make_app, parts
from asking import DAL, Caller
from fakes import write_fake
from flask import Flask

from models.bundles.registry import Registry

AMOUNT = re.compile(r"-?\d+\.\d\d")


def test_a_valuation_has_its_value_ranges_reasons_and_model(caller: Caller) -> None:
    found = caller.value({})
    assert found.status_code == 201
    body = found.json
    assert found.headers["Location"] == f"/v1/valuations/{body['id']}"
    assert (body["value"], body["currency"], body["date"], body["channel"]) == (
        "2980.96",
        "USD",
        "2026-01-02",
        "private",
    )
    assert body["reference"]["value"] == "897.85"
    assert body["reference"]["instrument"]["condition"]["neck"] == 2
    assert body["evidence"] == {
        "word": "many",
        "meaning": "ten or more closed sales of the same model, edition and build",
        "direct_sales": 12,
        "effective_sales": 12.0,
        "last": "2026-01-02",
    }
    assert body["assumed"] == [
        {
            "field": "edition",
            "value": "standard",
            "reason": "no edition was named: it was valued as the standard model",
        },
        {
            "field": "build",
            "value": "production",
            "reason": "no build was given: it was valued as an ordinary production one",
        },
    ]
    assert (body["rate_day"], body["rate_source"], body["claims"]) == ("2026-01-02", "none needed", [])
    assert "condition.neck" in body["unknown"] and "build" not in body["unknown"]
    assert body["instrument"] == {"maker": "Ostvik", "model": "Dal"}
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", body["created"])
    assert body["model_version"] == parts(caller.app).live.version


def test_each_wear_step_costs_what_the_model_says(caller: Caller) -> None:
    assert caller.value({"condition": {"neck": 3}}).json["value"] == "2208.35"
    assert caller.value({"condition": {"neck": 3}}, channel="dealer").json["value"] == "2100.65"


def test_amounts_by_family_and_factor_sum_to_value_less_reference_to_the_cent(caller: Caller) -> None:
    found = caller.value(
        {"condition": {"neck": 5, "frets": 1}, "figure": 3, "originality": {"nut": "modern"}}
    )
    body = found.json
    families = [Decimal(family["amount"]) for family in body["attributions"]]
    assert sum(families) == Decimal(body["value"]) - Decimal(body["reference"]["value"])
    for family in body["attributions"]:
        amounts = [Decimal(factor["amount"]) for factor in family["factors"]]
        assert sum(amounts, Decimal(0)) == Decimal(family["amount"])
    names = [family["family"] for family in body["attributions"]]
    assert names == ["identity", "rarity", "condition", "originality", "provenance", "market"]
    neck = next(f for f in body["attributions"][2]["factors"] if f["field"] == "condition.neck")
    assert (neck["observed"], neck["reference"]) == (5, 2)
    assert neck["effect"] == pytest.approx(-0.3) and neck["amount"].startswith("-")


def test_ranges_nest_hold_the_value_and_come_in_the_order_asked(caller: Caller) -> None:
    body = caller.value({}, levels=[0.95, 0.5, 0.8]).json
    assert [interval["level"] for interval in body["intervals"]] == [0.95, 0.5, 0.8]
    ends = sorted((i["level"], Decimal(i["low"]), Decimal(i["high"])) for i in body["intervals"])
    lows, highs = [low for _, low, _ in ends], [high for _, _, high in ends]
    assert lows == sorted(lows, reverse=True) and highs == sorted(highs)
    assert lows[0] <= Decimal(body["value"]) <= highs[0]


def test_money_is_decimal_text_with_the_decimals_of_its_currency(caller: Caller) -> None:
    euros = caller.value({}, currency="eur").json
    # 1.1 dollars for a euro on that day: 2980.957987 / 1.1 = 2709.961806.
    assert (euros["currency"], euros["value"]) == ("EUR", "2709.96")
    # .0065 dollars for a yen: 2980.957987 / .0065 = 458608.92; yen have no decimals.
    assert caller.value({}, currency="JPY").json["value"] == "458609"
    # 3.25 dollars for a Kuwaiti dinar: 917.217842; dinars have three.
    assert caller.value({}, currency="KWD").json["value"] == "917.218"
    texts = [i[end] for i in euros["intervals"] for end in ("low", "high")]
    texts += [family["amount"] for family in euros["attributions"]]
    assert all(AMOUNT.fullmatch(text) for text in texts)


def test_cautions_carry_code_text_field_and_day(caller: Caller) -> None:
    body = caller.value({"year": 1990}).json
    by_code = {caution["code"]: caution for caution in body["cautions"]}
    assert by_code["year_outside_production"]["field"] == "year"
    assert "1962–1974" in by_code["year_outside_production"]["text"]
    assert "not an authentication" in by_code["estimate_not_appraisal"]["text"]
    assert all(caution["as_of"] for caution in body["cautions"])


def test_names_match_without_case_accents_and_spaces(caller: Caller) -> None:
    found = caller.value({"maker": "  SERAPHINE &   fils", "model": "etoile", "finish": "BRUME"})
    assert found.json["instrument"] == {"maker": "Séraphine & Fils", "model": "Étoile", "finish": "Brume"}


def test_null_and_empty_mean_not_known(caller: Caller) -> None:
    empty = {"year": None, "finish": "", "condition": None, "originality": {"nut": None, "finish": " "}}
    found = caller.value(empty, channel=None, currency=None, levels=None)
    plain = caller.value({})
    assert found.status_code == 201
    own = ("id", "created")
    assert {k: v for k, v in found.json.items() if k not in own} == {
        k: v for k, v in plain.json.items() if k not in own
    }


def test_without_a_day_it_is_today_and_private(caller: Caller) -> None:
    body = caller.post("/v1/valuations", {"instrument": DAL["instrument"]}).json
    assert body["date"] in body["created"] and body["channel"] == "private"


def test_the_answer_is_the_same_to_the_byte_when_asked_again(caller: Caller) -> None:
    found = caller.value({"serial": "00 1234 Ä", "finish": "Night\u2009Fog"})
    again = caller.get(found.headers["Location"])
    assert (again.status_code, again.data) == (200, found.data)
    assert again.headers["Content-Type"] == found.headers["Content-Type"] == "application/json"


def test_the_answer_stays_when_another_model_is_promoted(own_app: Flask) -> None:
    caller = caller_of(own_app)
    before = caller.value({})
    store = parts(own_app).settings.store
    Registry(store).promote(write_fake(store, base=9.0), who="tests", why="another")
    parts(own_app).live.look()
    after = caller.value({})
    assert after.json["value"] != before.json["value"]
    assert after.json["model_version"] != before.json["model_version"]
    assert caller.get(before.headers["Location"]).data == before.data


def test_the_answer_outlives_the_application(fake_store: Path, new_database: NewDatabase) -> None:
    address = new_database("sqlite")
    first = make_app(fake_store, address)
    caller = caller_of(first)
    found = caller.value({})
    parts(first).engine.dispose()
    second = make_app(fake_store, address)
    assert Caller(second, caller.key).get(found.headers["Location"]).data == found.data
    parts(second).engine.dispose()


def test_intervals_and_attributions_say_the_same_and_keep_nothing(caller: Caller) -> None:
    whole = caller.value({"condition": {"neck": 4}}).json
    body = {"instrument": {"maker": "Ostvik", "model": "Dal", "condition": {"neck": 4}}, "date": "2026-01-02"}
    count = kept_valuations(caller.app)
    ranges = caller.post("/v1/intervals", body)
    reasons = caller.post("/v1/attributions", body)
    assert kept_valuations(caller.app) == count
    assert (ranges.status_code, reasons.status_code) == (200, 200)
    assert ranges.json == {name: whole[name] for name in ranges.json}
    assert reasons.json == {name: whole[name] for name in reasons.json}
    assert set(whole) - set(reasons.json) == {"id", "created", "instrument"}
    assert "attributions" not in ranges.json and "attributions" in reasons.json


def test_an_answer_is_kept_with_who_asked_and_which_model(caller: Caller) -> None:
    found = caller.post("/v1/valuations", {**DAL, "channel": "dealer"})
    with parts(caller.app).engine.connect() as connection:
        rows = connection.exec_driver_sql(
            f"SELECT answer, key_id, model_version FROM valuation WHERE id = '{found.json['id']}'"
        ).all()
    assert [tuple(row) for row in rows] == [
        (found.text, (caller.key or "").split("_")[1], found.json["model_version"])
    ]
