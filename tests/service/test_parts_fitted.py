"""The parts of a valuation on a fitted model: the demo market's own later sales and its records."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from apps import NewDatabase, caller_of, parts
from asking import SECRET, Caller

from models.domain.instrument import Instrument
from service.api.parts.parts import PARTS
from service.app import create_app
from service.db.engine import open_engine
from service.db.migrate import upgrade
from service.settings import Settings

DAY, SPECIMENS = "2026-01-02", 12


@pytest.fixture(scope="module")
def fitted(demo_store: Path, new_database: NewDatabase) -> Iterator[Caller]:
    settings = Settings(store=demo_store, secret=SECRET, database=new_database("sqlite"))
    engine = open_engine(settings.database)
    upgrade(engine)
    engine.dispose()
    app = create_app(settings)
    yield caller_of(app)
    parts(app).engine.dispose()


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.fixture(scope="module")
def whole(fitted: Caller, demo_market: Path) -> list[dict[str, Any]]:
    """Kept valuations of later sales, in three currencies, with every part."""
    found = []
    for number, row in enumerate(rows_of(demo_market / "holdout.csv")[:SPECIMENS]):
        body = {"instrument": Instrument.from_flat(row).to_nested(), "date": DAY, "channel": row["channel"]}
        body["currency"] = ("USD", "EUR", "JPY")[number % 3]
        made = fitted.post(f"/v1/valuations?include={','.join(PARTS)}", body)
        assert made.status_code == 201, made.text
        assert fitted.get(made.headers["Location"]).data == made.data
        found.append(made.json)
    return found


def test_each_part_by_its_own_path_is_what_was_included(fitted: Caller, whole: list[dict[str, Any]]) -> None:
    for kept in whole[:4]:
        for name in ("comparables", "questions", "earlier_records", "sentences"):
            assert (
                fitted.get(f"/v1/valuations/{kept['id']}/{name.replace('_', '-')}").json[name] == kept[name]
            )


def test_every_grid_foots_and_the_weights_are_whole(whole: list[dict[str, Any]]) -> None:
    sales = 0
    for kept in whole:
        found = kept["comparables"]
        sales += len(found["sales"])
        assert len(found["sales"]) == 6 or found["note"]
        assert sum(sale["share"] for sale in found["sales"]) == pytest.approx(float(bool(found["sales"])))
        assert {sale["kind"] for sale in found["sales"]} <= {"sale"}
        assert {record["kind"] for record in found["beside"]} <= {"asking", "offer"}
        for record in (*found["sales"], *found["beside"]):
            today = Decimal(record["price"]) + sum(Decimal(line["amount"]) for line in record["market"])
            assert today == Decimal(record["today"])
            lines = sum(Decimal(line["amount"]) for line in record["lines"])
            assert today + lines == Decimal(record["adjusted"])
            assert "serial" not in record["instrument"] and record["date"] <= DAY
            assert all(line["text"].endswith(".") for line in record["lines"])
    assert sales > SPECIMENS


def test_every_reason_has_its_sentence(whole: list[dict[str, Any]]) -> None:
    for kept in whole:
        factors = [factor for family in kept["attributions"] for factor in family["factors"]]
        known = [f["field"] for f in factors if f["observed"] is not None or f["field"] == "edition"]
        assert [line["field"] for line in kept["sentences"] if line["field"]] == known
        assert kept["sentences"][0]["text"].startswith("Percentages multiply")
        blank = [f["label"] for f in factors if f["observed"] is None and f["field"] != "edition"]
        assert not blank or all(label in kept["sentences"][-1]["text"] for label in blank)
        assert all(line["text"] for line in kept["sentences"])


def test_questions_ask_for_what_is_not_known(whole: list[dict[str, Any]]) -> None:
    asked = 0
    for kept in whole:
        for question in kept["questions"]:
            asked += 1
            assert question["field"] in kept["unknown"]
            assert 0 < question["narrowing"] < 1 and question["outcomes"]
        afters = [question["after"] for question in kept["questions"]]
        assert afters == sorted(afters)
    assert asked


def test_an_alternative_is_worth_what_the_changed_specimen_is(
    fitted: Caller, whole: list[dict[str, Any]]
) -> None:
    for kept in whole[:6]:
        worn = {**kept["instrument"].get("condition", {}), "neck": 5}
        path = f"/v1/valuations/{kept['id']}/alternatives"
        (found,) = fitted.post(path, {"alternatives": [{"condition.neck": 5}]}).json["alternatives"]
        body = {name: kept[name] for name in ("date", "channel", "currency")}
        other = {**body, "instrument": {**kept["instrument"], "condition": worn}}
        assert found["value"] == fitted.post("/v1/intervals", other).json["value"]
        assert Decimal(found["difference"]) == Decimal(found["value"]) - Decimal(kept["value"])
        assert Decimal(found["difference"]) <= 0
        for interval in found["difference_intervals"]:
            assert Decimal(interval["low"]) <= Decimal(found["difference"]) <= Decimal(interval["high"])


def test_putting_parts_back_gains_and_a_lost_finish_stays_lost(
    fitted: Caller, whole: list[dict[str, Any]]
) -> None:
    for kept in whole[:6]:
        changed = {"finish": "refinished", "pickups": "modern", "tuners": "modern"}
        it = {**kept["instrument"], "originality": changed}
        made = fitted.post(
            "/v1/valuations", {"instrument": it, "date": DAY, "currency": kept["currency"]}
        ).json
        path = f"/v1/valuations/{made['id']}/restoration"
        found = fitted.post(path, {"costs": {"originality.tuners": "99999999"}}).json["restoration"]
        gains = {(r["field"], r["then"]): Decimal(r["gain"]) for r in found["remedies"]}
        assert min(gains.values()) >= 0
        assert gains["originality.pickups", "period"] > 0
        assert "original" not in {then for _, then in gains}
        assert {r["worth_it"] for r in found["remedies"] if r["field"] == "originality.tuners"} == {False}
        assert "originality.finish" in {entry["field"] for entry in found["lasting"]}


def test_a_specimen_that_the_evidence_holds_has_its_record(fitted: Caller, demo_market: Path) -> None:
    held = [row for row in rows_of(demo_market / "evidence.csv") if row["serial"] and row["kind"] == "sale"]
    seen = 0
    for row in held[:40]:
        body = {"maker": row["maker"], "model": row["model"], "serial": row["serial"]}
        made = fitted.post("/v1/valuations?include=earlier_records", {"instrument": body, "date": DAY})
        if made.status_code != 201:  # one of the rows that the reader must refuse
            continue
        entries = {entry["id"]: entry for entry in made.json["earlier_records"]["entries"]}
        if row["id"] in entries:
            seen += 1
            assert entries[row["id"]]["date"] == row["date"]
            assert Decimal(entries[row["id"]]["paid"]["price"]) == Decimal(row["price"])
            assert made.json["earlier_records"]["cautions"][0]["code"] == "earlier_record"
    assert seen >= 30


def test_pictures_of_fitted_valuations_are_whole(fitted: Caller, whole: list[dict[str, Any]]) -> None:
    for kept in whole:
        for picture in ("waterfall.svg", "price-index.svg", f"intervals.svg?asking={kept['value']}"):
            found = fitted.get(f"/v1/valuations/{kept['id']}/{picture}")
            assert (found.status_code, found.mimetype) == (200, "image/svg+xml")
            assert ElementTree.fromstring(found.data).attrib["role"] == "img"


def test_the_card_of_a_fitted_model_is_served(fitted: Caller) -> None:
    admin = caller_of(fitted.app, "admin")
    card = admin.get("/v1/price-models/current/card").json
    assert card["title"] == "Model card" and {"evidence", "gate"} <= set(card)
    page = admin.get("/v1/price-models/current/card.html").text
    assert page.startswith("<!doctype html>") and "Model card" in page
