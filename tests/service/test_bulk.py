"""Stock lists over HTTP: in order, in the form they came in, each row as if it were asked alone."""

from __future__ import annotations

import csv
import errno
import io
import json
import math
from collections.abc import Iterator
from contextlib import closing, contextmanager
from types import SimpleNamespace
from typing import Any

import pytest
from asking import Caller, assert_problem, faults_of
from conftest import caller_of, make_app, parts
from fakes import FakePriceModel, write_fake
from flask import Flask
from jsonschema import Draft202012Validator
from werkzeug.test import TestResponse

from models.registry import Registry
from models.vocabulary import FIELDS
from service import uploads

PATH = "/v1/stocklists"
CSV, NDJSON = "text/csv", "application/x-ndjson"
ROWS: list[dict[str, Any]] = [
    {"id": "A", "instrument": {"maker": "ostvik", "model": "fjell 2", "condition": {"neck": 4}}},
    {"id": "B", "instrument": {"maker": "Ostvik", "model": "Dal"}, "date": "2025-06-01", "channel": "dealer"},
    {"id": "Ç", "instrument": {"maker": "Seraphine & Fils", "model": "etoile", "figure": 2.5}},
    {"id": "D", "instrument": {"maker": "Ostvik", "model": "Fjell 2", "originality": {"nut": "modern"}}},
]


def flat(row: dict[str, Any]) -> dict[str, str]:
    cells = {name: str(row[name]) for name in ("id", "date", "channel") if name in row}
    for name, value in row["instrument"].items():
        inner = value if isinstance(value, dict) else {"": value}
        cells |= {f"{name}_{part}".strip("_"): str(one) for part, one in inner.items()}
    return cells


def as_csv(rows: list[dict[str, Any]]) -> str:
    out = io.StringIO()
    names = ["id", "date", "channel", *(field.flat for field in FIELDS)]
    writer = csv.DictWriter(out, names, restval="")
    writer.writeheader()
    writer.writerows(flat(row) for row in rows)
    return out.getvalue()


def as_ndjson(rows: list[Any]) -> str:
    return "".join(json.dumps(row) + "\n" for row in rows)


def post(caller: Caller, body: str | bytes, form: str, query: str = "") -> TestResponse:
    """The answer, read to its end, as a server leaves it."""
    with closing(caller.post(PATH + query, body, **{"Content-Type": form})) as found:
        found.get_data()
    return found


@contextmanager
def begun(caller: Caller, body: str) -> Iterator[TestResponse]:
    """An answer of which nothing has been read."""
    headers = caller.headers({"Content-Type": CSV})
    with closing(caller.client.post(PATH, data=body, headers=headers, buffered=False)) as found:
        yield found


def by_csv(caller: Caller, rows: list[dict[str, Any]], query: str = "") -> list[dict[str, str]]:
    found = post(caller, as_csv(rows), CSV, query)
    assert found.status_code == 200 and found.mimetype == CSV, found.text
    return list(csv.DictReader(io.StringIO(found.text)))


def by_ndjson(caller: Caller, body: str | bytes, query: str = "") -> list[dict[str, Any]]:
    found = post(caller, body, NDJSON, query)
    assert found.status_code == 200 and found.mimetype == NDJSON, found.text
    return [json.loads(line) for line in found.data.splitlines()]


def alone(caller: Caller, row: dict[str, Any], currency: str, levels: list[float]) -> dict[str, Any]:
    asked = {"instrument": row["instrument"], "currency": currency, "levels": levels}
    asked |= {"date": row.get("date", "2026-01-02"), "channel": row.get("channel", "auction")}
    found: dict[str, Any] = caller.post("/v1/attributions", asked).json
    return found


QUERY = "?levels=0.8,0.975&currency=jpy&date=2026-01-02&channel=Auction"


def test_each_row_of_csv_is_what_the_same_request_alone_is(caller: Caller) -> None:
    rows = by_csv(caller, ROWS, QUERY)
    assert [row["id"] for row in rows] == ["A", "B", "Ç", "D"]
    for asked, row in zip(ROWS, rows, strict=True):
        one = alone(caller, asked, "JPY", [0.8, 0.975])
        assert (row["value"], row["reference_value"]) == (one["value"], one["reference"]["value"])
        assert [row["low_80"], row["high_97.5"]] == [one["intervals"][0]["low"], one["intervals"][1]["high"]]
        assert row["evidence"] == one["evidence"]["word"] and row["error"] == ""
        assert row["cautions"].split(";") == list(dict.fromkeys(c["code"] for c in one["cautions"]))


def test_each_line_of_ndjson_is_what_the_same_request_alone_is(caller: Caller) -> None:
    rows = by_ndjson(caller, as_ndjson(ROWS), QUERY)
    assert [(row["line"], row["id"]) for row in rows] == [(1, "A"), (2, "B"), (3, "Ç"), (4, "D")]
    for asked, row in zip(ROWS, rows, strict=True):
        one = alone(caller, asked, "JPY", [0.8, 0.975])
        for name in ("date", "channel", "currency", "value", "intervals"):
            assert row[name] == one[name]
        assert row["reference_value"] == one["reference"]["value"]
        assert row["evidence"] == one["evidence"]["word"] and "errors" not in row
        assert row["cautions"] == list(dict.fromkeys(caution["code"] for caution in one["cautions"]))
        back = float(row["reference_value"]) * math.exp(math.fsum(row["effects"].values()))
        assert round(back) == int(row["value"])


def test_both_forms_say_the_same(caller: Caller) -> None:
    for one, other in zip(by_csv(caller, ROWS), by_ndjson(caller, as_ndjson(ROWS)), strict=True):
        assert (one["id"], one["value"]) == (other["id"], other["value"])
        assert one["cautions"].split(";") == other["cautions"]
        effects = {
            name.removeprefix("effect_"): float(text) for name, text in one.items() if "effect" in name
        }
        assert effects == other["effects"]


# ── bad rows among good ones ─────────────────────────────────────────────────

BAD: list[tuple[Any, dict[str, str]]] = [
    ({"id": "b", "instrument": {"maker": "Ostvik", "model": "Dahl"}}, {"#/instrument/model": "Dal"}),
    (
        {"id": "b", "instrument": {"maker": "Ostvik", "model": "Dal", "condition": {"neck": 9}}, "date": "x"},
        {"#/instrument/condition/neck": "from 0 to 5", "#/date": "YYYY-MM-DD"},
    ),
    (
        {"id": 7, "instrument": None, "chanel": "x"},
        {"#/id": "text", "#/instrument": "", "#/chanel": "channel"},
    ),
    ({"instrument": []}, {"#/id": "text", "#/instrument": "object"}),
    (
        {"id": "b", "instrument": {"maker": "Ostvik", "model": "Dal"}, "channel": 3, "date": []},
        {"#/channel": "text", "#/date": "text"},
    ),
]


@pytest.mark.parametrize(("row", "faults"), BAD)
def test_a_bad_line_says_all_that_is_wrong_and_the_others_are_valued(
    caller: Caller, row: Any, faults: dict[str, str]
) -> None:
    good, bad, after = by_ndjson(caller, as_ndjson([ROWS[0], row, ROWS[1]]))
    assert "value" in good and "value" in after and after["line"] == 3
    assert set(bad) == {"line", "id", "errors"} and bad["line"] == 2
    assert {fault["pointer"] for fault in bad["errors"]} == set(faults)
    for fault in bad["errors"]:
        assert fault["problem"] and fault["next_step"] is not None
        hints = fault["allowed"] + fault["next_step"]
        assert faults[fault["pointer"]] in hints


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        (b"{", "is not JSON"),
        (b"[1]", "is JSON, but not an object"),
        (b'{"id": "a", "id": "b"}', "stands twice"),
        (b"\xff{}", "is not JSON"),
        (b"[" * 5000, "is not JSON"),
    ],
)
def test_a_line_that_is_no_object_is_a_bad_row(caller: Caller, line: bytes, problem: str) -> None:
    bad, good = by_ndjson(caller, b"\xef\xbb\xbf" + line + b"\n\n  \r\n" + as_ndjson(ROWS[:1]).encode())
    (fault,) = bad["errors"]
    assert (fault["field"], fault["pointer"], bad["id"]) == ("row", None, None)
    assert problem in fault["problem"] and fault["allowed"]
    assert good["line"] == 4 and good["value"]


def test_a_bad_row_of_csv_names_line_field_value_and_what_to_do(caller: Caller) -> None:
    text = as_csv(ROWS[:1]) + "b,,,Ostvik,Dal" + "," * (len(FIELDS) - 2) + "\r\nc,,,Ostvik\r\n"
    text = text.replace("b,,,Ostvik,Dal", "b,2026-13-01,,Ostvik,Dahl")
    rows = list(csv.DictReader(io.StringIO(post(caller, text, CSV).text)))
    assert [row["id"] for row in rows] == ["A", "b", "c"] and rows[0]["value"]
    assert rows[1]["error"].startswith("line 3: date: '2026-13-01' is not a day of the calendar; allowed: ")
    assert "'Dahl'" in rows[1]["error"] and "Dal" in rows[1]["error"]
    assert rows[2]["error"].startswith("line 4: row: ") and not rows[2]["value"]


def test_a_day_without_a_rate_is_a_fault_of_its_row(caller: Caller) -> None:
    rows = [ROWS[0], {**ROWS[1], "date": "1999-01-01"}]
    good, bad = by_ndjson(caller, as_ndjson(rows), "?currency=EUR")
    assert good["currency"] == "EUR" and [fault["field"] for fault in bad["errors"]] == ["currency"]


# ── the whole request ────────────────────────────────────────────────────────


@pytest.mark.parametrize(("form", "lines"), [(CSV, 1), (NDJSON, 0)])
def test_no_rows_give_no_values(caller: Caller, form: str, lines: int) -> None:
    body = "id,maker,model\n" if form == CSV else ""
    found = post(caller, body, form)
    assert found.status_code == 200 and len(found.text.splitlines()) == lines


def test_a_table_without_its_columns_is_a_problem(caller: Caller) -> None:
    body = assert_problem(post(caller, "id,maker,modell\n1,a,b\n", CSV), 400, "table")
    assert "modell" in body["detail"]


@pytest.mark.parametrize("form", ["application/json", "", "text/plain"])
def test_other_forms_are_refused(caller: Caller, form: str) -> None:
    assert_problem(post(caller, "{}", form), 415, "content-type")


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("?levels=80", "levels"),
        ("?levels=a,0.8", "levels"),
        ("?levels=", "levels"),
        ("?date=tomorrow", "date"),
        ("?channel=moon", "channel"),
        ("?currency=XXX", "currency"),
        ("?level=0.8", "level"),
    ],
)
def test_a_wrong_query_is_a_problem(caller: Caller, query: str, field: str) -> None:
    (fault,) = faults_of(post(caller, as_csv(ROWS), CSV, query)).values()
    assert fault["field"] == field


def test_columns_that_nobody_knows_are_named_in_a_header(caller: Caller) -> None:
    found = post(caller, "id,maker,Prix d'été,model\n1,Ostvik,3,Dal\n", CSV)
    assert found.headers["Ignored-Columns"] == "Prix%20d%27%C3%A9t%C3%A9"
    assert "Ignored-Columns" in post(caller, as_ndjson(ROWS), NDJSON).headers


def test_it_needs_a_key_with_the_scope(shared_app: Flask) -> None:
    assert_problem(post(Caller(shared_app, None), as_csv(ROWS), CSV), 401, "key-missing")


def test_bodies_have_their_limits(store, new_database) -> None:  # type: ignore[no-untyped-def]
    caller = caller_of(make_app(store, new_database("sqlite"), list_limit=200_000))
    line = as_ndjson(ROWS[:1])
    assert post(caller, line * (200_000 // len(line)), NDJSON).status_code == 200
    assert_problem(post(caller, line * (200_000 // len(line) + 1), NDJSON), 413, "too-large")
    for size in (uploads.LONGEST_LINE + 1, 3 * uploads.LONGEST_LINE):
        assert_problem(post(caller, line + "x" * size + "\n" + line, NDJSON), 400, "body")
    long = json.dumps({**ROWS[0], "more": "x"}).replace('"x"', '"' + "x" * 65_000 + '"')
    assert [len(row) for row in by_ndjson(caller, (long + "\n") * 3)] == [3, 3, 3]


def test_a_full_disk_is_said_and_nothing_is_half_done(caller: Caller, monkeypatch: Any) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(uploads, "_copy", full)
    assert_problem(post(caller, as_csv(ROWS), CSV), 507, "no-room")


# ── one bundle, and an end ───────────────────────────────────────────────────


def many(count: int) -> str:
    return "id,maker,model\n" + "".join(f"{n},Ostvik,Dal\n" for n in range(count))


def test_one_model_values_a_list_from_its_first_row_to_its_last(own_app: Flask) -> None:
    caller, context = caller_of(own_app), parts(own_app)
    before = context.live.version
    with begun(caller, many(2000)) as found:
        pieces = iter(found.response)
        text = next(pieces)
        registry = Registry(context.settings.store)
        after = registry.promote(write_fake(registry.store, base=9.0), who="tests", why="another").version
        context.live.look()
        assert context.live.version == after != before
        text += b"".join(pieces)
    rows = list(csv.DictReader(io.StringIO(text.decode())))
    assert len(rows) == 2000 and len({row["value"] for row in rows}) == 1
    assert found.headers["Model-Version"] == before
    again = post(caller, many(1), CSV)
    assert again.headers["Model-Version"] == after
    assert next(csv.DictReader(io.StringIO(again.text)))["value"] != rows[0]["value"]


class Breaking(FakePriceModel):
    """Fails on the thousandth row and says something that no log may hold."""

    def assess(self, subjects, levels):  # type: ignore[no-untyped-def]
        if len(subjects) > 400:
            raise RuntimeError("a serial: F 77")
        return super().assess(subjects, levels)


def test_what_fails_midway_cuts_the_answer_short_and_tells_no_secret(
    own_app: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    logged: list[dict[str, Any]] = []
    log = SimpleNamespace(
        error=lambda event, **more: logged.append(more),
        info=lambda event, **more: logged.append({"event": event, **more}),
    )
    monkeypatch.setattr("service.logs._log", log)
    monkeypatch.setattr("service.stocklists.rules._log", log)
    caller, live = caller_of(own_app), parts(own_app).live
    valuer = live.bundle().valuer
    object.__setattr__(valuer, "model", Breaking())
    with pytest.raises(Exception, match="could not be answered to its end") as raised:
        post(caller, many(2000), CSV)
    assert raised.value.__cause__ is None and raised.value.__suppress_context__
    assert "F 77" not in repr(logged)
    request, failure, ended = logged
    assert (request["event"], request["status"]) == ("request", 200)
    assert failure["error"] == "RuntimeError" and failure["request_id"] == request["request_id"]
    assert (ended["event"], ended["rows"], ended["ended"]) == ("stock list", 125, False)


def test_an_answer_that_nobody_reads_any_more_ends_and_frees_its_file(
    own_app: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept: list[Any] = []
    take_in = uploads.take_in
    monkeypatch.setattr("service.web.take_in", lambda limit: kept.append(take_in(limit)) or kept[-1])
    with begun(caller_of(own_app), many(5000)) as found:
        next(iter(found.response))
        assert not kept[0].closed
    assert kept[0].closed


# ── as it is described ───────────────────────────────────────────────────────


def test_lines_are_as_they_are_described(caller: Caller) -> None:
    document: Any = caller.get("/openapi.json").json
    described = document["paths"][PATH]["post"]
    sent, answered = (
        said["content"][NDJSON]["schema"]["contentSchema"]
        for said in (described["requestBody"], described["responses"]["200"])
    )
    assert (sent["$ref"][-8:], answered["$ref"][-10:]) == ("StockRow", "StockValue")
    parts = {"components": document["components"]}
    row, value = (Draft202012Validator({**schema, **parts}) for schema in (sent, answered))
    for line in by_ndjson(caller, as_ndjson([*ROWS, *(bad for bad, _ in BAD)])):
        value.validate(line)
        assert set(line) <= set(document["components"]["schemas"]["StockValue"]["properties"])
    assert all(row.is_valid(one) for one in ROWS) and not any(row.is_valid(bad) for bad, _ in BAD[1:])
