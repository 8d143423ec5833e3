"""Answers about placeholders, contradictions and claims, and about the day of a value and of its rate."""

from __future__ import annotations

from typing import Any

import pytest
from asking import Caller
from stock import as_csv, as_ndjson, by_csv, by_ndjson, post

ROW: dict[str, Any] = {
    "id": "A",
    "instrument": {
        "maker": "Ostvik",
        "model": "Fjell 2",
        "edition": "Standard",
        "finish": "n/a",
        "serial": "?",
        "condition": {"neck": "unknown", "electronics": "-"},
    },
    "date": "2026-01-02",
}
BARE = {**ROW, "instrument": {"maker": "Ostvik", "model": "Fjell 2"}}


def told(cautions: list[dict[str, Any]]) -> list[tuple[str, str]]:
    codes = ("placeholder_not_known", "edition_word_means_none")
    return [(c["field"], c["code"]) for c in cautions if c["code"] in codes]


@pytest.mark.parametrize("path", ["/v1/valuations", "/v1/attributions", "/v1/intervals"])
def test_placeholders_are_valued_as_left_out_and_each_is_told(caller: Caller, path: str) -> None:
    asked, bare = ({n: v for n, v in row.items() if n != "id"} for row in (ROW, BARE))
    found, expected = caller.post(path, asked).json, caller.post(path, bare).json
    assert (found["value"], found["intervals"]) == (expected["value"], expected["intervals"])
    assert told(found["cautions"]) == [
        ("edition", "edition_word_means_none"),
        ("finish", "placeholder_not_known"),
        ("serial", "placeholder_not_known"),
        ("condition.neck", "placeholder_not_known"),
        ("condition.electronics", "placeholder_not_known"),
    ]
    assert told(expected["cautions"]) == []
    (finish,) = [c for c in found["cautions"] if c["field"] == "finish"]
    assert finish["text"] == (
        "Finish colour: “n/a” was read as not known. If that is wrong, the owner can correct it."
    )
    if path == "/v1/valuations":
        assert found["instrument"] == BARE["instrument"]
        assert found["unknown"] == expected["unknown"]


def test_a_stock_list_reads_them_alike_in_both_forms(caller: Caller) -> None:
    rows = [ROW, BARE]
    by_table, by_line = by_csv(caller, rows), by_ndjson(caller, as_ndjson(rows))
    assert by_table[0]["value"] == by_table[1]["value"] == by_line[0]["value"] == by_line[1]["value"]
    for codes in (by_table[0]["cautions"].split(";"), by_line[0]["cautions"]):
        assert {"edition_word_means_none", "placeholder_not_known"} <= set(codes)
    assert not {"edition_word_means_none", "placeholder_not_known"} & set(by_line[1]["cautions"])


def test_a_maker_that_is_not_known_is_refused_by_name(caller: Caller) -> None:
    found = caller.post("/v1/intervals", {"instrument": {"maker": "unknown", "model": "Dal"}})
    assert found.status_code == 422
    assert found.json["errors"][0]["problem"] == "is not in the catalogue"


def test_evidence_with_a_placeholder_is_taken_as_not_known(dealer: Caller) -> None:
    sale = {"id": "W1", "kind": "sale", "date": "2025-06-01", "price": "1800", "currency": "USD"}
    sale |= {"channel": "dealer", "instrument": {"maker": "Ostvik", "model": "Dal", "serial": "unknown"}}
    assert dealer.post("/v1/evidence", sale).status_code == 201
    assert "serial" not in dealer.get("/v1/evidence/W1").json["instrument"]


def test_a_long_text_is_no_placeholder(caller: Caller) -> None:
    found = post(
        caller, as_csv([{**ROW, "instrument": {**BARE["instrument"], "finish": "?" * 201}}]), "text/csv"
    )
    assert "is too long" in found.text


# ── what contradicts ─────────────────────────────────────────────────────────


def by_code(body: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {caution["code"]: caution for caution in body["cautions"]}


def fjell(caller: Caller, path: str = "/v1/attributions", day: str = "2026-01-02", **fields: Any) -> Any:
    it = {"maker": "Ostvik", "model": "Fjell 2", **fields.pop("it", {})}
    found = caller.post(path, {"instrument": it, "date": day, **fields})
    assert found.status_code in (200, 201), found.text
    return found.json


def test_a_finish_that_the_catalogue_lacks_counts_as_not_known_and_names_the_nearest(caller: Caller) -> None:
    body = fjell(caller, "/v1/valuations", it={"finish": "Rowen"})
    assert body["instrument"]["finish"] == "Rowen" and "finish" in body["unknown"]
    text = by_code(body)["finish_not_offered"]["text"]
    assert "valued as if the finish were not known" in text and "Did you mean Rowan" in text
    sentences = caller.get(f"/v1/valuations/{body['id']}/sentences").json["sentences"]
    (line,) = [line["text"] for line in sentences if line["field"] == "finish"]
    assert line == "Finish colour: Rowen, which the catalogue does not have for this model. No effect."
    assert "finish" not in fjell(caller, it={"finish": "rowan"})["unknown"]


def test_missing_pickups_that_work_contradict_each_other(caller: Caller) -> None:
    parts = {"originality": {"pickups": "missing"}, "condition": {"electronics": "working"}}
    found = by_code(fjell(caller, "/v1/intervals", it=parts))["missing_pickups_cannot_work"]
    assert found["field"] == "condition.electronics"
    parts["condition"]["electronics"] = "partial"
    assert "missing_pickups_cannot_work" not in by_code(fjell(caller, "/v1/intervals", it=parts))


# ── claims ───────────────────────────────────────────────────────────────────


def test_claims_are_listed_with_amount_share_and_proof(caller: Caller) -> None:
    body = fjell(caller, it={"figure": 5})
    (claim,) = body["claims"]
    factors = {f["field"]: f for family in body["attributions"] for f in family["factors"]}
    assert (claim["field"], claim["amount"]) == ("figure", factors["figure"]["amount"])
    assert claim["share"] == pytest.approx(float(claim["amount"]) / float(body["value"]))
    assert "photographs" in claim["proof"] and claim["label"] == "figure of the top"
    assert "claims_need_documents" in by_code(body)
    (row,) = by_csv(caller, [{"id": "A", **ROW, "instrument": {**BARE["instrument"], "figure": 5}}])
    assert "claims_need_documents" in row["cautions"].split(";")


def test_without_a_claim_there_is_none_and_ranges_alone_have_no_claims(caller: Caller) -> None:
    body = fjell(caller, it={"figure": 0})
    assert body["claims"] == [] and "claims_need_documents" not in by_code(body)
    assert "claims" not in fjell(caller, "/v1/intervals", it={"figure": 5})


# ── the day of the value, of its rate and of its evidence ────────────────────


@pytest.mark.parametrize("path", ["/v1/valuations", "/v1/attributions", "/v1/intervals"])
def test_every_answer_says_the_day_and_source_of_its_rate(caller: Caller, path: str) -> None:
    euros = fjell(caller, path, day="2026-01-09", currency="EUR")
    assert (euros["rate_day"], euros["rate_source"]) == ("2026-01-02", "invented for the tests")
    assert "rate_older_than_value" not in by_code(euros)
    later = fjell(caller, path, day="2026-01-10", currency="EUR")
    assert later["rate_day"] == "2026-01-02" and "rate_older_than_value" in by_code(later)
    dollars = fjell(caller, path, day="2026-01-10")
    assert (dollars["rate_day"], dollars["rate_source"]) == ("2026-01-10", "none needed")
    assert "rate_older_than_value" not in by_code(dollars)


def test_what_stands_below_a_valuation_says_it_too(caller: Caller) -> None:
    kept = fjell(caller, "/v1/valuations", day="2025-06-01", currency="EUR")
    path = f"/v1/valuations/{kept['id']}"
    answers = [caller.get(f"{path}/{name}").json for name in ("comparables", "questions", "sentences")]
    answers.append(caller.post(f"{path}/alternatives", {"alternatives": [{"figure": 1}]}).json)
    answers.append(caller.post(f"{path}/restoration", {"costs": {}}).json)
    for body in answers:
        assert (body["currency"], body["rate_day"], body["rate_source"]) == (
            "EUR",
            "2020-01-01",
            "invented for the tests",
        )


@pytest.mark.parametrize(
    ("day", "code"),
    [
        ("2026-02-02", None),  # 31 days after the fake's last evidence
        ("2026-02-03", "value_date_after_evidence"),
        ("2004-01-02", None),  # the day of its first
        ("2004-01-01", "value_date_before_evidence"),
    ],
)
def test_a_day_far_from_the_evidence_is_told(caller: Caller, day: str, code: str | None) -> None:
    codes = {"value_date_after_evidence", "value_date_before_evidence"} & set(by_code(fjell(caller, day=day)))
    assert codes == ({code} if code else set())
