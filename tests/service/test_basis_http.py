"""Answers over HTTP say how much of them rests on common practice; the model's figures are known by hand.

The fake: log value = 8 − .1 for each step of loss; its reference has light wear (2) on all six parts.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import Caller
from fakes import CATALOGUE, RATES, FakePriceModel

from models.bundles.bundle import write_bundle
from models.bundles.registry import Registry
from models.practice.reliance import RuleShare, reliance_of

PRACTICE = reliance_of(
    [
        RuleShare({"condition_neck": 4.0}, {"condition_neck": 1.0}, 0.6),
        RuleShare({"originality_pickups": "modern"}, {"originality_pickups": "original"}, 1.0),
    ]
)
WEAR = dict.fromkeys(("top", "back", "neck", "headstock", "frets", "hardware"), 2)
WORN = {"condition": {**WEAR, "neck": 4}, "originality": {"pickups": "modern"}}


@pytest.fixture(scope="module")
def practised(tmp_path_factory: pytest.TempPathFactory, new_database: NewDatabase) -> Iterator[Caller]:
    """A caller of an application whose model carries rules of common practice."""
    store = tmp_path_factory.mktemp("practised") / "store"
    version = write_bundle(store, FakePriceModel(reliance=PRACTICE), CATALOGUE, RATES, {})
    Registry(store).promote(version, who="tests", why="to serve")
    app = make_app(store, new_database("sqlite"))
    yield caller_of(app)
    parts(app).engine.dispose()


def by_field(body: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {factor["field"]: factor for family in body["attributions"] for factor in family["factors"]}


def test_an_answer_says_it_of_each_factor_family_and_of_all(practised: Caller) -> None:
    body = practised.value(WORN).json
    factors = by_field(body)
    assert factors["condition.neck"]["basis"] == 0.6
    assert factors["originality.pickups"]["basis"] == 1
    families = {family["family"]: family["basis"] for family in body["attributions"]}
    assert families == {
        "identity": 0,
        "rarity": 0,
        "condition": pytest.approx(0.6),
        "originality": 1,
        "provenance": 0,
        "market": 0,
    }
    # Two grades of .1 at .6, two steps of .1 at 1: .32 of .4.
    assert body["basis"] == pytest.approx(0.8)


def test_reasons_that_are_not_kept_say_the_same(practised: Caller) -> None:
    asked = {"instrument": {"maker": "Ostvik", "model": "Dal", **WORN}, "date": "2026-01-02"}
    kept, found = practised.post("/v1/valuations", asked).json, practised.post("/v1/attributions", asked).json
    assert (found["basis"], found["attributions"]) == (kept["basis"], kept["attributions"])
    assert "basis" not in practised.post("/v1/intervals", asked).json


def test_sentences_say_it_once_of_all_and_of_each_that_rests_on_it(practised: Caller) -> None:
    kept = practised.value(WORN).json
    found = practised.get(f"/v1/valuations/{kept['id']}/sentences").json["sentences"]
    first, lines = found[1], {line["field"]: line["text"] for line in found if line["field"]}
    assert first["field"] is None
    assert first["text"].startswith("80% of the difference from the typical instrument rests on common ")
    assert list(lines) == [name for name, f in by_field(kept).items() if f["observed"] is not None]
    assert lines["condition.neck"].endswith("; mostly common practice.")
    assert lines["originality.pickups"].endswith("; common practice, hardly seen in sales yet.")
    assert [field for field, text in lines.items() if "practice" in text] == [
        "condition.neck",
        "originality.pickups",
    ]


def test_a_model_without_practice_says_nothing_of_it(caller: Caller) -> None:
    kept = caller.value(WORN).json
    assert kept["basis"] == 0
    assert {family["basis"] for family in kept["attributions"]} == {0}
    assert {factor["basis"] for factor in by_field(kept).values()} == {0}
    found = caller.get(f"/v1/valuations/{kept['id']}/sentences").json["sentences"]
    assert [line["field"] for line in found[:2]] == [None, "condition.neck"]
    assert not any("practice" in line["text"] for line in found)


def test_the_document_describes_it(practised: Caller) -> None:
    schemas = practised.get("/openapi.json").json["components"]["schemas"]
    for name in ("Factor", "Family", "Attributions", "FullValuation"):
        basis = schemas[name]["properties"]["basis"]
        assert (basis["minimum"], basis["maximum"]) == (0, 1)
        assert "basis" in schemas[name]["required"]
    assert "basis" not in schemas["Intervals"]["properties"]
