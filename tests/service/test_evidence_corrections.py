"""Rows sent again: equal ones are told from changed ones, and a file can correct records by their ids."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest
from asking import Caller, assert_problem, faults_of
from records import SALE, ids, record

from service.api.evidence import report as reports

CSV, NDJSON = "text/csv", "application/x-ndjson"
COLUMNS = (
    "id",
    "kind",
    "date",
    "price",
    "currency",
    "channel",
    "source",
    "maker",
    "model",
    "year",
    "condition_neck",
)
SAME = ("S-1", "sale", "2025-06-01", "1800.00", "EUR", "dealer", "a note", "Ostvik", "Dal", "1965", "2")


def rows(*changed: dict[str, str]) -> str:
    """A file whose rows say what the record S-1 says, but for these changes."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows({**dict(zip(COLUMNS, SAME, strict=True)), **changes} for changes in changed)
    return out.getvalue()


def send(caller: Caller, body: str, query: str = "", form: str = CSV, **headers: str) -> Any:
    return caller.post(f"/v1/evidence{query}", body, **{"Content-Type": form, **headers})


def counts(found: Any) -> dict[str, int]:
    assert found.status_code == 200, found.text
    names = ("rows", "accepted", "corrected", "refused", "changed", "duplicates")
    return {name: found.json[name] for name in names if found.json[name]}


def price_of(caller: Caller, id: str) -> str:
    return str(caller.get(f"/v1/evidence/{id}").json["price"])


def test_an_equal_row_is_a_duplicate_and_a_changed_one_is_told_with_each_difference(dealer: Caller) -> None:
    record(dealer)
    assert counts(send(dealer, rows({}))) == {"rows": 1, "duplicates": 1}
    assert counts(send(dealer, rows({"price": "1800", "maker": "ostvik"}))) == {"rows": 1, "duplicates": 1}
    found = send(dealer, rows({"price": "1900", "condition_neck": "", "source": ""}))
    assert counts(found) == {"rows": 1, "changed": 1}
    assert [(f["line"], f["id"], f["field"], f["value"], f["problem"]) for f in found.json["faults"]] == [
        (2, "S-1", "price", "1900", "differs from the record, which has '1800.00'"),
        (2, "S-1", "source", "", "differs from the record, which has 'a note'"),
        (2, "S-1", "condition_neck", "", "differs from the record, which has '2'"),
    ]
    assert all("corrections=true" in fault["next_step"] for fault in found.json["faults"])
    assert price_of(dealer, "S-1") == "1800.00"


def test_a_line_of_json_that_has_changed_is_pointed_into(dealer: Caller) -> None:
    record(dealer)
    line = '{"id":"S-1","kind":"offer","date":"2025-06-01","price":1800,"currency":"EUR","channel":"dealer",'
    line += (
        '"source":"a note","instrument":{"maker":"Ostvik","model":"Dal","year":1965,"condition":{"neck":3}}}'
    )
    found = send(dealer, line, form=NDJSON)
    assert counts(found) == {"rows": 1, "changed": 1}
    assert [f["pointer"] for f in found.json["faults"]] == ["#/kind", "#/instrument/condition/neck"]


def test_one_record_that_is_sent_again_is_told_in_which_way(dealer: Caller) -> None:
    record(dealer)
    assert assert_problem(record(dealer), 409, "duplicate")["detail"].endswith("and says the same.")
    said = assert_problem(record(dealer, price="1900"), 409, "duplicate")["detail"]
    assert said.endswith("says something else; to correct it, send it by PUT.")


def test_many_duplicates_do_not_hide_a_changed_row(dealer: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    send(dealer, rows(*({"id": f"F-{n}"} for n in range(6))))
    monkeypatch.setattr(reports, "MOST_FAULTS", 3)
    found = send(dealer, rows(*({"id": f"F-{n}"} for n in range(5)), {"id": "F-5", "price": "1900"}))
    assert counts(found) == {"rows": 6, "changed": 1, "duplicates": 5}
    assert [f["line"] for f in found.json["faults"]] == [2, 3, 7] and found.json["faults_left_out"] == 3


def test_strict_takes_a_changed_row_for_an_error(dealer: Caller) -> None:
    record(dealer)
    sent = send(dealer, rows({"price": "1900"}, {"id": "F-1"}), "?strict=true")
    assert assert_problem(sent, 422, "rows")["report"]["changed"] == 1
    assert ids(dealer) == ["S-1"]


# ── corrections ──────────────────────────────────────────────────────────────


def test_a_file_of_corrections_corrects_by_id_and_tells_of_every_other_row(dealer: Caller) -> None:
    for number in range(1, 5):
        record(dealer, id=f"S-{number}")
    dealer.ask("delete", "/v1/evidence/S-3")
    body = rows(
        {"price": "1900"},
        {"id": "S-2"},
        {"id": "S-3", "price": "1"},
        {"id": "S-4", "price": "no"},
        {"id": "N"},
    )
    found = send(dealer, body, "?corrections=true&reason=misread")
    assert counts(found) == {"rows": 5, "corrected": 1, "refused": 3, "duplicates": 1}
    assert [(f["line"], f["field"], f["problem"]) for f in found.json["faults"]] == [
        (4, "id", "is withdrawn"),
        (5, "price", "is not a number"),
        (6, "id", "is no record"),
    ]
    assert [price_of(dealer, f"S-{n}") for n in (1, 2, 4)] == ["1900", "1800.00", "1800.00"]
    assert ids(dealer) == ["S-1", "S-2", "S-4"]
    changes = dealer.get("/v1/evidence/S-1/history").json["changes"]
    assert [(c["version"], c["action"], c["reason"], c["record"]["price"]) for c in changes] == [
        (1, "recorded", None, "1800.00"),
        (2, "corrected", "misread", "1900"),
    ]
    assert len(dealer.get("/v1/evidence/S-2/history").json["changes"]) == 1


def test_corrections_are_warned_of_and_take_warnings_away(dealer: Caller) -> None:
    record(dealer, id="S-1", price="18")
    record(dealer, id="S-2")
    found = send(dealer, rows({"price": "1800"}, {"id": "S-2", "price": "18"}), "?corrections=true")
    assert (found.json["corrected"], found.json["warned"]) == (2, 1)
    assert [(w["line"], w["id"], w["code"]) for w in found.json["warnings"]] == [(3, "S-2", "price_low")]
    assert ids(dealer, "?warned=true") == ["S-2"]


def test_corrections_are_all_or_nothing_where_strict(dealer: Caller) -> None:
    record(dealer)
    both = "?corrections=true&strict=true"
    assert_problem(send(dealer, rows({"price": "1900"}, {"id": "N"}), both), 422, "rows")
    assert price_of(dealer, "S-1") == "1800.00"
    record(dealer, id="S-2")
    assert counts(send(dealer, rows({"price": "1900"}, {"id": "S-2"}), both)) == {
        "rows": 2,
        "corrected": 1,
        "duplicates": 1,
    }
    assert price_of(dealer, "S-1") == "1900"


def test_a_flag_is_read_in_any_letters_and_another_word_is_told_what_is_allowed(dealer: Caller) -> None:
    # Python writes True; to leave the flag out, as the answer said before, would have been the opposite.
    assert send(dealer, rows({}), "?strict=False").json["accepted"] == 1
    assert send(dealer, rows({"price": "2"}), "?corrections=True").json["corrected"] == 1
    (fault,) = send(dealer, rows({}), "?corrections=yes").json["errors"]
    assert (fault["allowed"], fault["next_step"]) == ("true, false", "use one of the allowed terms")


def test_corrections_under_one_key_are_made_once(dealer: Caller) -> None:
    record(dealer)
    key = {"Idempotency-Key": "corrections-1"}
    first = send(dealer, rows({"price": "1900"}), "?corrections=true", **key)
    dealer.ask("put", "/v1/evidence/S-1", {**SALE, "price": "2000"})
    again = send(dealer, rows({"price": "1900"}), "?corrections=true", **key)
    assert again.data == first.data and price_of(dealer, "S-1") == "2000"


def test_corrections_are_for_files(dealer: Caller) -> None:
    record(dealer)
    found = dealer.post("/v1/evidence?corrections=true", SALE)
    assert set(faults_of(found)) == {None}
    assert_problem(send(dealer, rows({}), "?corrections=yes"), 422, "fields")
