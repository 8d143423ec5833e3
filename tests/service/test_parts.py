"""The parts of a kept valuation, on the fake model and its two records, by hand.

The fake: log value = 8 − .1 for each step of loss − .05 at a dealer's; the difference of two specimens is
uncertain by a tenth of itself. Powers of e are from tables: e^8 = 2980.957987, e^7.9 = 2697.282328,
e^7.8 = 2440.601978, e^.05 = 1.051271096, e^.2 = 1.221402758, e^-.25 = .778800783.
"""

from __future__ import annotations

from typing import Any
from xml.etree import ElementTree

import pytest
from apps import caller_of
from asking import Caller
from fakes import EVIDENCE_ROWS
from flask import Flask

from models.valuation.caution_texts import BESIDE, CODES
from service.api.parts.parts import PARTS

SVG = "{http://www.w3.org/2000/svg}"
PICTURES = ("waterfall.svg", "intervals.svg", "price-index.svg")


def made(caller: Caller, instrument: dict[str, Any], query: str = "", **more: Any) -> dict[str, Any]:
    """A kept valuation of an Ostvik Fjell 2."""
    it = {"maker": "Ostvik", "model": "Fjell 2", **instrument}
    found = caller.post(f"/v1/valuations{query}", {"instrument": it, "date": "2026-01-02", **more})
    assert found.status_code == 201, found.text
    return dict(found.json)


def below(caller: Caller, of: dict[str, Any], name: str) -> Any:
    found = caller.get(f"/v1/valuations/{of['id']}/{name.replace('_', '-')}")
    assert found.status_code == 200, found.text
    return found.json


def test_comparables_are_adjusted_line_by_line(caller: Caller) -> None:
    kept = made(caller, {"condition": {"neck": 2}})
    body = below(caller, kept, "comparables")
    assert {name: body[name] for name in ("id", "model_version", "currency")} == {
        "id": kept["id"],
        "model_version": kept["model_version"],
        "currency": "USD",
    }
    found = body["comparables"]
    (sale,), (asking,) = found["sales"], found["beside"]
    assert (sale["id"], sale["kind"], sale["date"], sale["channel"]) == ("S1", "sale", "2025-06-01", "dealer")
    assert sale["paid"] == {"price": "2000", "currency": "USD"}
    # Dealer to private: 2,000 · e^.05 = 2,102.54; neck 4 to 2: 2,102.54 · e^.2 = 2,568.05.
    assert (sale["price"], sale["today"], sale["adjusted"]) == ("2000.00", "2102.54", "2568.05")
    assert [(line["field"], line["amount"]) for line in sale["market"]] == [("channel", "102.54")]
    assert [(line["field"], line["amount"]) for line in sale["lines"]] == [("condition.neck", "465.51")]
    assert sale["lines"][0]["text"].endswith("on the one sold: +22.1%, +$466.")
    assert sale["net"] == sale["gross"] == pytest.approx(568.05 / 2000)
    assert sale["flags"] == ["large_net_adjustment", "large_gross_adjustment"]
    assert (sale["share"], asking["share"]) == (1, 0)
    assert (asking["kind"], asking["adjusted"], asking["lines"]) == ("asking", "3153.81", [])
    assert (found["reconciled"], found["caution"], found["set_aside"]) == ("2568.05", None, [])
    assert found["difference"] == pytest.approx(2568.05 / 2440.60 - 1)
    assert found["note"].startswith("The evidence up to this day holds only 1 ")


def test_without_a_sale_of_the_model_there_is_a_note(caller: Caller) -> None:
    found = below(caller, caller.value({}).json, "comparables")["comparables"]
    assert (found["sales"], found["reconciled"], found["difference"]) == ([], None, None)
    assert "nothing to compare" in found["note"]


def test_the_record_of_the_specimen_says_what_changed_and_what_its_price_implies(caller: Caller) -> None:
    worn = {"serial": "f 77", "condition": {"neck": 5}, "originality": {"pickups": "modern"}}
    found = below(caller, made(caller, worn), "earlier_records")["earlier_records"]
    (entry,) = found["entries"]
    assert (entry["id"], entry["paid"]) == ("S1", {"price": "2000", "currency": "USD"})
    # Here 8 − .5 − .2 = 7.3, there 8 − .4 − .05 = 7.55: 2,000 · e^−.25 = 1,557.60.
    assert entry["implied"] == "1557.60"
    # One grade of wear is what two careful people differ by; the pickups were said to be original.
    assert [(c["field"], c["before"], c["after"], c["kind"]) for c in entry["changes"]] == [
        ("originality.pickups", "original", "modern", "loss")
    ]
    codes = [(caution["code"], caution["field"]) for caution in found["cautions"]]
    assert codes == [("earlier_record", "serial"), ("changed_since_record", "originality.pickups")]
    assert "F 77" not in str(found)


def test_another_serial_has_no_record(caller: Caller) -> None:
    for serial in ("F 78", None):
        found = below(caller, made(caller, {"serial": serial}), "earlier_records")["earlier_records"]
        assert found == {"evidence_of": "price_model", "entries": [], "cautions": []}


def test_sentences_stand_in_the_order_of_the_reasons(caller: Caller) -> None:
    kept = made(caller, {"condition": {"neck": 4}})
    found = below(caller, kept, "sentences")["sentences"]
    factors = [factor for family in kept["attributions"] for factor in family["factors"]]
    known = [factor["field"] for factor in factors if factor["observed"] is not None]
    assert known == ["condition.neck"]
    assert [line["field"] for line in found] == [None, *known, None]
    neck = next(line["text"] for line in found if line["field"] == "condition.neck")
    # Two grades more than the reference's: e^−.2 − 1 = −18.1%.
    assert neck.startswith("Neck wear: heavy (typical: light): −18.1%, −$")
    assert found[-1]["text"].startswith("Not given: build, counted as ordinary production; ")
    assert "top wear" in found[-1]["text"] and "neck wear" not in found[-1]["text"]


def test_questions_name_unknown_fields_the_most_telling_first(caller: Caller) -> None:
    kept = made(caller, {"condition": {"neck": 2}})
    found = below(caller, kept, "questions")["questions"]
    # Of what is not known here, the evidence and the catalogue can answer three: any one takes a tenth of .3
    # off a range of .3 · (1 + 27 / 10), for 27 of 30 fields are not known.
    assert {question["field"] for question in found} == {"finish", "originality.pickups", "year"}
    assert {question["field"] for question in found} <= set(kept["unknown"])
    assert [question["narrowing"] for question in found] == [0.027027] * 3
    assert [question["after"] for question in found] == [0.027027, 0.054054, 0.081081]
    finish = next(question for question in found if question["field"] == "finish")
    # The catalogue's shares of the finishes are .7 and .05.
    assert [(o["answer"], o["value"]) for o in finish["outcomes"]] == [
        ("Tarn", "2440.60"),
        ("Rowan", "2440.60"),
    ]
    assert finish["outcomes"][0]["chance"] == pytest.approx(0.7 / 0.75)


def test_alternatives_have_their_value_and_a_paired_difference(caller: Caller) -> None:
    kept = made(caller, {"condition": {"neck": 2}}, levels=[0.8])
    asked = {"alternatives": [{"condition": {"neck": 1}}, {"condition.neck": None, "figure": 0}]}
    found = caller.post(f"/v1/valuations/{kept['id']}/alternatives", asked).json
    assert (found["id"], found["value"]) == (kept["id"], "2440.60")
    better, unknown = found["alternatives"]
    assert better["changes"] == [{"field": "condition.neck", "value": 1}]
    assert (better["value"], better["difference"]) == ("2697.28", "256.68")
    assert better["effect"] == pytest.approx(0.1)
    # ± 1.281552 · .01 in log around 2,697.28: 2,662.94 and 2,732.07, less 2,440.60.
    assert better["difference_intervals"] == [{"level": 0.8, "low": "222.34", "high": "291.47"}]
    assert [interval["level"] for interval in better["intervals"]] == [0.8]
    assert unknown["value"] == "2980.96"
    assert {"field": "condition.neck", "value": None} in unknown["changes"]


def test_alternatives_can_have_levels_of_their_own(caller: Caller) -> None:
    kept = made(caller, {})
    asked = {"alternatives": [{"figure": 1}], "levels": [0.6]}
    (found,) = caller.post(f"/v1/valuations/{kept['id']}/alternatives", asked).json["alternatives"]
    assert [i["level"] for i in found["intervals"] + found["difference_intervals"]] == [0.6, 0.6]


def test_restoration_holds_gains_against_costs_and_says_what_stays(caller: Caller) -> None:
    kept = made(
        caller, {"originality": {"pickups": "modern", "finish": "refinished"}, "condition": {"top": 2}}
    )
    for costs in ({"originality.pickups": "100.50"}, {"originality": {"pickups": 100.5}}):
        body = caller.post(f"/v1/valuations/{kept['id']}/restoration", {"costs": costs}).json
        found = body["restoration"]
        # No part that is bought becomes the one that it left the maker with.
        (remedy,) = found["remedies"]
        assert (remedy["field"], remedy["then"]) == ("originality.pickups", "period")
        # Modern pickups are a step of loss below those of the period: e^.1 = 1.105170918.
        ratio = (float(remedy["gain"]) / float(kept["value"])) + 1
        assert ratio == pytest.approx(1.105170918, abs=1e-5)
        assert float(remedy["net"]) == pytest.approx(float(remedy["gain"]) - 100.50, abs=1e-9)
        assert remedy["cost"] in ("100.50", "100.5")
        assert remedy["worth_it"] is True
        assert found["together"]["changes"] == [{"field": "originality.pickups", "value": "period"}]
        lasting = {entry["field"] for entry in found["lasting"]}
        assert lasting == {"originality.finish", "condition.top"}


def test_without_a_cost_nothing_is_called_worth_it(caller: Caller) -> None:
    kept = made(caller, {"originality": {"pickups": "modern"}})
    found = caller.post(f"/v1/valuations/{kept['id']}/restoration", {"costs": {}}).json["restoration"]
    assert all(r["worth_it"] is None and r["cost"] is None and r["net"] is None for r in found["remedies"])
    # By hand: e^7.8 = 2,440.60 as it is, e^7.9 = 2,697.28 with others of the period.
    assert [remedy["gain"] for remedy in found["remedies"]] == ["256.68"]
    assert found["together"] is None


def test_what_is_included_is_kept_and_is_what_its_own_path_says(caller: Caller) -> None:
    it = {"serial": "F 77", "condition": {"neck": 3, "electronics": "dead"}}
    plain = made(caller, it)
    whole = made(
        caller, it, "?include=restoration,%20sentences,earlier_records,questions,comparables,earlier_records"
    )
    assert list(whole) == [*plain, *PARTS]
    again = caller.get(f"/v1/valuations/{whole['id']}")
    assert again.json == whole and list(again.json) == list(whole)
    for name in ("comparables", "questions", "earlier_records", "sentences"):
        assert below(caller, whole, name)[name] == below(caller, plain, name)[name] == whole[name]
    costs = caller.post(f"/v1/valuations/{whole['id']}/restoration", {"costs": {}}).json
    assert costs["restoration"] == whole["restoration"]


def test_the_included_answer_is_the_same_to_the_byte_when_asked_again(caller: Caller) -> None:
    body = {"instrument": {"maker": "Ostvik", "model": "Fjell 2"}, "date": "2026-01-02", "currency": "EUR"}
    first = caller.post("/v1/valuations?include=comparables,sentences", body)
    assert caller.get(first.headers["Location"]).data == first.data
    assert set(first.json) - set(caller.post("/v1/valuations", body).json) == {
        "comparables",
        "sentences",
    }


def test_an_idempotency_key_belongs_to_what_was_included_too(caller: Caller) -> None:
    body = {"instrument": {"maker": "Ostvik", "model": "Fjell 2"}, "date": "2026-01-02"}
    header = {"Idempotency-Key": "with-record"}
    first = caller.post("/v1/valuations?include=earlier_records", body, **header)
    assert caller.post("/v1/valuations?include=earlier_records", body, **header).data == first.data
    assert caller.post("/v1/valuations", body, **header).status_code == 422


@pytest.mark.parametrize("picture", PICTURES)
def test_pictures_are_whole_and_can_be_read_aloud(caller: Caller, picture: str) -> None:
    kept = made(caller, {"condition": {"neck": 4}})
    found = caller.get(f"/v1/valuations/{kept['id']}/{picture}")
    assert (found.status_code, found.mimetype) == (200, "image/svg+xml")
    root = ElementTree.fromstring(found.data)
    assert root.tag == f"{SVG}svg" and root.attrib["role"] == "img"
    named = root.attrib["aria-labelledby"].split()
    words = [root.find(f"{SVG}{tag}") for tag in ("title", "desc")]
    assert [word.attrib["id"] for word in words if word is not None] == named
    assert all(word is not None and word.text for word in words)
    for element in root.iter():
        assert element.tag.removeprefix(SVG) not in ("script", "image", "use", "foreignObject", "a", "style")
        for name, value in element.attrib.items():
            assert not name.startswith("on") and "href" not in name
            assert "url(" not in value or value.startswith("url(#")


def test_the_span_shows_a_price_that_is_asked(caller: Caller) -> None:
    kept = made(caller, {})
    path = f"/v1/valuations/{kept['id']}/intervals.svg"
    assert "asked $3,210" in caller.get(f"{path}?asking=3210").text
    assert "asked $" not in caller.get(path).text


def test_a_picture_has_its_form_and_no_other(caller: Caller) -> None:
    kept = made(caller, {})
    for picture in PICTURES:
        path = f"/v1/valuations/{kept['id']}/{picture}"
        for accept in ("image/svg+xml", "image/*", "text/html, */*;q=0.1"):
            assert caller.get(path, Accept=accept).status_code == 200
        assert caller.get(path, Accept="application/json").status_code == 406
    assert caller.get(f"/v1/valuations/{kept['id']}", Accept="image/svg+xml").status_code == 406
    admin = caller_of(caller.app, "admin")
    assert admin.get("/v1/price-models/current/card.html", Accept="text/html").status_code == 200
    assert admin.get("/v1/price-models/current/card", Accept="text/html").status_code == 406


def test_the_card_is_as_the_bundle_has_it(shared_app: Flask) -> None:
    admin = caller_of(shared_app, "admin")
    card = admin.get("/v1/price-models/current/card")
    assert card.json == {"title": "Model card", "made": "2026-01-02", "base": 8.0}
    page = admin.get("/v1/price-models/current/card.html")
    assert page.mimetype == "text/html" and "<h1>Model card</h1>" in page.text
    assert page.headers["Content-Security-Policy"].startswith("default-src 'none'")


def test_the_vocabulary_has_the_cautions_of_what_stands_beside(caller: Caller) -> None:
    terms = {term["name"]: term["meaning"] for term in caller.get("/v1/vocabulary").json["cautions"]}
    assert terms == {**CODES, **BESIDE}
    assert "earlier_record" in terms and not set(CODES) & set(BESIDE)


def test_the_fake_keeps_what_these_tests_say_it_keeps() -> None:
    assert [(row.id, row.kind, str(row.price)) for row in EVIDENCE_ROWS] == [
        ("S1", "sale", "2000"),
        ("A1", "asking", "3000"),
    ]
