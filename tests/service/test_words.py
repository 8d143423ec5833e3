"""What owners write in place of a value, on every path by which a description comes in."""

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
    assert finish["text"] == "Finish colour: “n/a” was read as not known."
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
