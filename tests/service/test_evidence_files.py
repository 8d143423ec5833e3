"""Files of evidence: what is right is kept in one step, what is not is reported, and nothing is half done."""

from __future__ import annotations

import csv
import errno
import gzip
import io
import json
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import FAULT_MEMBERS, Caller, assert_problem
from fakes import CATALOGUE, RATES
from flask import Flask
from records import ids, record

from service.api.evidence import files
from service.api.evidence import report as reports
from service.db.engine import writing
from training.reading import read_evidence

CSV, NDJSON = "text/csv", "application/x-ndjson"
ROW = {
    "id": "F-1",
    "kind": "sale",
    "date": "2025-06-01",
    "price": "1800.00",
    "currency": "EUR",
    "channel": "dealer",
    "maker": "ostvik",
    "model": "DAL",
    "condition_neck": "2",
    "year": "",
    "source": "",
}


def row(id: str, **changes: str) -> dict[str, str]:
    return {**ROW, "id": id, **changes}


def as_csv(rows: Sequence[Mapping[str, str]], columns: Sequence[str] = tuple(ROW)) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def as_ndjson(rows: Sequence[Mapping[str, str]]) -> str:
    own = ("id", "kind", "date", "price", "currency", "channel", "source")
    return "".join(json.dumps({**{n: r[n] for n in own}, "instrument": nested(r)}) + "\n" for r in rows)


def nested(row: Mapping[str, str]) -> dict[str, Any]:
    neck = row["condition_neck"]
    return {
        "maker": row["maker"],
        "model": row["model"],
        "year": int(row["year"]) if row["year"] else None,
        "condition": {"neck": float(neck) if neck else None},
    }


def send(caller: Caller, body: str | bytes, form: str = CSV, query: str = "", **headers: str) -> Any:
    return caller.post(f"/v1/evidence{query}", body, **{"Content-Type": form, **headers})


def report(found: Any) -> tuple[int, int, int]:
    assert found.status_code == 200, found.text
    return found.json["accepted"], found.json["refused"], found.json["duplicates"]


MIXED = [
    row("F-1"),
    row("F-2", kind="rumour", condition_neck="9"),
    row("F-1", price="5"),
    row("F-3", model="Dall"),
    row("S-1", year="1965", source="a note"),
    row("F-4", price="1e3"),
]


def test_good_rows_are_kept_and_the_rest_is_reported_by_line_and_field(dealer: Caller) -> None:
    record(dealer)
    found = send(dealer, as_csv(MIXED, (*ROW, "colour")))
    assert report(found) == (2, 2, 2) and found.json["rows"] == 6
    assert (found.json["changed"], found.json["corrected"], found.json["warned"]) == (0, 0, 0)
    assert found.json["ignored_columns"] == ["colour"] and found.json["faults_left_out"] == 0
    faults = found.json["faults"]
    assert [(f["line"], f["id"], f["field"]) for f in faults] == [
        (3, "F-2", "kind"),
        (3, "F-2", "condition_neck"),
        (4, "F-1", "id"),
        (5, "F-3", "model"),
        (6, "S-1", "id"),
    ]
    assert all(set(fault) == FAULT_MEMBERS | {"line", "id"} and fault["pointer"] is None for fault in faults)
    assert faults[0]["allowed"] == "sale, asking, offer" and faults[3]["suggestions"] == ["Dal"]
    assert faults[2]["problem"] == "stands already on line 2"
    assert faults[4]["problem"] == "stands already among the records"
    assert ids(dealer) == ["S-1", "F-1", "F-4"]
    assert dealer.get("/v1/evidence/F-1").json["price"] == "1800.00"
    assert dealer.get("/v1/evidence/S-1").json["version"] == 1


def test_lines_of_json_are_taken_by_the_same_rules_and_point_into_their_line(dealer: Caller) -> None:
    record(dealer)
    found = send(dealer, as_ndjson(MIXED) + "\n{\n", NDJSON)
    assert report(found) == (2, 3, 2)
    assert [(f["line"], f["pointer"]) for f in found.json["faults"]] == [
        (2, "#/kind"),
        (2, "#/instrument/condition/neck"),
        (3, "#/id"),
        (4, "#/instrument/model"),
        (5, "#/id"),
        (8, None),
    ]
    assert ids(dealer) == ["S-1", "F-1", "F-4"]


def test_a_file_and_single_records_keep_the_same(dealer: Caller) -> None:
    send(dealer, as_csv([row("C")]))
    send(dealer, as_ndjson([row("J")]), NDJSON)
    one = {n: ROW[n] for n in ("kind", "date", "price", "currency", "channel")}
    dealer.post("/v1/evidence", {**one, "id": "S", "instrument": nested(ROW)})
    kept = [dealer.get(f"/v1/evidence/{id}").json for id in "CJS"]
    bare = [{k: v for k, v in e.items() if k not in ("id", "recorded", "changed")} for e in kept]
    assert bare[0] == bare[1] == bare[2]
    assert dealer.get("/v1/evidence/C/history").json["changes"][0]["record"]["price"] == "1800.00"


def test_it_takes_and_refuses_what_the_command_does_for_the_same_reasons(
    dealer: Caller, tmp_path: Path
) -> None:
    text = as_csv(MIXED) + 'F-5,"sale,2025\n' + "F-6,sale\n" + as_csv([row("F-7", date="20250101")])[80:]
    (tmp_path / "e.csv").write_text(text)
    read = read_evidence(tmp_path / "e.csv", CATALOGUE, RATES, progress=False, today=date.today())
    found = send(dealer, text).json
    assert ids(dealer) == [e.id for e in read.rows]
    said = [(r.line, f.field, f.problem, f.next_step) for r in read.refused for f in r.faults]
    assert [(f["line"], f["field"], f["problem"], f["next_step"]) for f in found["faults"]] == said
    assert len(said) > 5


def test_strict_keeps_all_or_nothing(dealer: Caller) -> None:
    record(dealer)
    said = assert_problem(send(dealer, as_csv(MIXED), query="?strict=true"), 422, "rows")
    assert said["report"]["accepted"] == 0 and said["report"]["refused"] == said["report"]["duplicates"] == 2
    assert [fault["line"] for fault in said["report"]["faults"]] == [3, 3, 4, 5, 6]
    assert ids(dealer) == ["S-1"]
    assert report(send(dealer, as_csv([row("F-1"), row("F-2")]), query="?strict=true")) == (2, 0, 0)
    for standing in ([row("F-2"), row("F-3")], [row("F-3"), row("F-3")]):
        assert_problem(send(dealer, as_csv(standing), query="?strict=true"), 422, "rows")
    assert ids(dealer) == ["S-1", "F-1", "F-2"]
    assert_problem(send(dealer, as_csv([row("F-3")]), query="?strict=yes"), 422, "fields")


def test_sent_again_with_its_key_a_file_is_answered_alike_and_without_it_all_stand_already(
    dealer: Caller,
) -> None:
    key = {"Idempotency-Key": "file-1"}
    text = as_csv([row("F-1"), row("F-2"), row("")])
    first, again = send(dealer, text, **key), send(dealer, text, **key)
    assert report(first) == (2, 1, 0) and again.data == first.data
    assert report(send(dealer, text)) == (0, 1, 2)
    assert_problem(send(dealer, text + "\n", **key), 422, "other-body")
    assert_problem(send(dealer, text, query="?strict=true", **key), 422, "other-body")


@pytest.mark.parametrize(
    ("body", "form", "status", "kind"),
    [
        ("", CSV, 400, "table"),
        ("id;kind\n", CSV, 400, "table"),
        ("id,kind,date,price,currency,channel,maker\n", CSV, 400, "table"),
        ("x" * 70_000, CSV, 400, "body"),
        ("{}", "text/plain", 415, "content-type"),
        ("{}", "", 415, "content-type"),
    ],
)
def test_what_is_no_file_of_evidence(dealer: Caller, body: str, form: str, status: int, kind: str) -> None:
    assert_problem(send(dealer, body, form), status, kind)
    assert ids(dealer) == []


def test_a_file_without_rows_is_taken(dealer: Caller) -> None:
    assert report(send(dealer, as_csv([]))) == report(send(dealer, "\n", NDJSON)) == (0, 0, 0)


def test_more_rows_than_are_taken_at_once(dealer: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "MOST_LINES", 3)
    assert_problem(send(dealer, as_csv([row(f"F-{n}") for n in range(4)])), 413, "too-many-rows")
    assert_problem(send(dealer, "{}\n" * 4, NDJSON), 413, "too-many-rows")
    assert ids(dealer) == []
    assert report(send(dealer, as_csv([row(f"F-{n}") for n in range(3)]))) == (3, 0, 0)


def test_a_file_beyond_the_limit_of_its_own(store: Path, new_database: NewDatabase) -> None:
    app = make_app(store, new_database("sqlite"), evidence_limit=2000, list_limit=1024)
    caller = caller_of(app, "evidence")
    assert report(send(caller, as_csv([row(f"F-{n}") for n in range(20)]))) == (20, 0, 0)
    assert_problem(send(caller, as_csv([row(f"G-{n}") for n in range(50)])), 413, "too-large")
    assert len(ids(caller)) == 20
    parts(app).engine.dispose()


def test_faults_beyond_those_listed_are_counted(dealer: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reports, "MOST_FAULTS", 3)
    found = send(dealer, as_csv([row(f"F-{n}", kind="x", channel="y") for n in range(5)]))
    assert report(found) == (0, 5, 0)
    assert len(found.json["faults"]) == 3 and found.json["faults_left_out"] == 7


def test_a_file_can_come_compressed_with_other_line_ends_and_a_byte_order_mark(dealer: Caller) -> None:
    text = b"\xef\xbb\xbf" + as_csv([row("F-1"), row("F-2")]).replace("\n", "\r\n").encode()
    assert report(send(dealer, gzip.compress(text), **{"Content-Encoding": "gzip"})) == (2, 0, 0)


def test_what_fails_half_way_keeps_nothing_and_can_be_sent_again(
    dealer: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "_AT_ONCE", 2)
    text, key = as_csv([row(f"F-{n}") for n in range(5)]), {"Idempotency-Key": "half-1"}
    add, calls = files.records.add, []

    def fail_later(*args: Any) -> Any:
        calls.append(args)
        if len(calls) == 2:
            raise ZeroDivisionError
        return add(*args)

    with monkeypatch.context() as patched:
        patched.setattr(files.records, "add", fail_later)
        assert_problem(send(dealer, text, **key), 500, "unexpected")
    assert len(calls) == 2 and ids(dealer, "?withdrawn=any") == []
    assert report(send(dealer, text, **key)) == (5, 0, 0)


def test_a_full_disk_is_said_and_nothing_is_kept(dealer: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    class Full(io.BytesIO):
        def write(self, _: Any) -> int:
            raise OSError(errno.ENOSPC, "full")

    with monkeypatch.context() as patched:
        patched.setattr(files, "spool", Full)
        assert_problem(send(dealer, as_csv([row("F-1")])), 507, "no-room")
    assert ids(dealer) == []
    assert report(send(dealer, as_csv([row("F-1")]))) == (1, 0, 0)


def test_others_can_write_while_a_file_is_read(
    evidence_app: Flask, dealer: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = files.prepared
    written = []

    def read_while_others_write(found: Any) -> Any:
        with writing(
            parts(evidence_app).engine
        ):  # SQLite has one writer: a file's own would stand in its way
            written.extend(e.id for e in found)
        return read(found)

    monkeypatch.setattr(files, "prepared", read_while_others_write)
    assert report(send(dealer, as_csv([row("F-1"), row("F-2")]))) == (2, 0, 0)
    assert written == ["F-1", "F-2"]


def test_files_that_overlap_keep_each_record_once(
    backend: str, new_database: NewDatabase, store: Path
) -> None:
    app = make_app(store, new_database(backend), connections=8, busy_seconds=60)
    caller = caller_of(app, "evidence")
    texts = [as_csv([row(f"F-{(n * k) % 101}") for n in range(1, 101)]) for k in (1, 2, 3, 5, 7, 50, 99, 100)]
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda text: report(send(caller, text)), texts))
    assert [sum(one) for one in found] == [100] * 8
    assert sum(accepted for accepted, _, _ in found) == len(set(ids(caller, "?limit=500"))) == 100
    parts(app).engine.dispose()
