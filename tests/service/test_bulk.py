"""Stock lists over HTTP: in order, in the form they came in, each row as if it were asked alone."""

from __future__ import annotations

import csv
import errno
import io
import json
import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import Caller, assert_problem, faults_of
from fakes import FakePriceModel, write_fake
from flask import Flask
from stock import CSV, NDJSON, ROWS, as_csv, as_ndjson, begun, by_csv, by_ndjson, many, post

from models.bundles.registry import Registry
from models.costs import LONGEST_LINE
from service.http import uploads


def alone(caller: Caller, row: dict[str, Any], currency: str, levels: list[float]) -> dict[str, Any]:
    asked = {"instrument": row["instrument"], "currency": row.get("currency", currency), "levels": levels}
    asked |= {"date": row.get("date", "2026-01-02"), "channel": row.get("channel", "auction")}
    found: dict[str, Any] = caller.post("/v1/attributions", asked).json
    return found


NAMED = ("currency", "rate_day", "date", "channel")
QUERY = "?levels=0.8,0.975&currency=jpy&date=2026-01-02&channel=Auction"


def test_each_row_of_csv_is_what_the_same_request_alone_is(caller: Caller) -> None:
    rows = by_csv(caller, ROWS, QUERY)
    assert [row["id"] for row in rows] == ["A", "B", "Ç", "D"]
    for asked, row in zip(ROWS, rows, strict=True):
        one = alone(caller, asked, "JPY", [0.8, 0.975])
        assert (row["value"], row["reference_value"]) == (one["value"], one["reference"]["value"])
        assert [row["low_80"], row["high_97.5"]] == [one["intervals"][0]["low"], one["intervals"][1]["high"]]
        assert [row[n] for n in NAMED] == [one[n] for n in NAMED]
        assert row["evidence"] == one["evidence"]["word"] and row["error"] == ""
        assert row["cautions"].split(";") == list(dict.fromkeys(c["code"] for c in one["cautions"]))


def test_each_line_of_ndjson_is_what_the_same_request_alone_is(caller: Caller) -> None:
    rows = by_ndjson(caller, as_ndjson(ROWS), QUERY)
    assert [(row["line"], row["id"]) for row in rows] == [(1, "A"), (2, "B"), (3, "Ç"), (4, "D")]
    for asked, row in zip(ROWS, rows, strict=True):
        one = alone(caller, asked, "JPY", [0.8, 0.975])
        for name in (*NAMED, "rate_source", "value", "intervals"):
            assert row[name] == one[name]
        assert row["reference_value"] == one["reference"]["value"]
        assert row["evidence"] == one["evidence"]["word"] and "errors" not in row
        assert row["cautions"] == list(dict.fromkeys(caution["code"] for caution in one["cautions"]))
        back = float(row["reference_value"]) * math.exp(math.fsum(row["effects"].values()))
        assert round(back) == int(row["value"])


@pytest.mark.parametrize("form", [CSV, NDJSON])
def test_a_row_can_have_a_currency_of_its_own(caller: Caller, form: str) -> None:
    rows = [{**row, "currency": code} for row, code in zip(ROWS, ("eur", "KWD", "USD", "JPY"), strict=True)]
    found = by_csv(caller, rows, QUERY) if form == CSV else by_ndjson(caller, as_ndjson(rows), QUERY)
    for asked, row in zip(rows, found, strict=True):
        one = alone(caller, asked, "JPY", [0.8, 0.975])
        assert [row[n] for n in (*NAMED, "value")] == [one[n] for n in (*NAMED, "value")]
    assert [row["currency"] for row in found] == ["EUR", "KWD", "USD", "JPY"]


def test_a_currency_that_nobody_knows_is_said_in_its_row(caller: Caller) -> None:
    (row,) = by_ndjson(caller, as_ndjson([{**ROWS[0], "currency": "QQQ"}]))
    (fault,) = row["errors"]
    assert (fault["pointer"], fault["field"]) == ("#/currency", "currency") and "EUR" in fault["allowed"]


def test_both_forms_say_the_same(caller: Caller) -> None:
    for one, other in zip(by_csv(caller, ROWS), by_ndjson(caller, as_ndjson(ROWS)), strict=True):
        assert (one["id"], one["value"]) == (other["id"], other["value"])
        assert one["cautions"].split(";") == other["cautions"]
        effects = {
            name.removeprefix("effect_"): float(text) for name, text in one.items() if "effect" in name
        }
        assert effects == other["effects"]


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


def test_bodies_have_their_limits(store: Path, new_database: NewDatabase) -> None:
    caller = caller_of(make_app(store, new_database("sqlite"), list_limit=200_000))
    line = as_ndjson(ROWS[:1])
    assert post(caller, line * (200_000 // len(line)), NDJSON).status_code == 200
    assert_problem(post(caller, line * (200_000 // len(line) + 1), NDJSON), 413, "too-large")
    for size in (LONGEST_LINE + 1, 3 * LONGEST_LINE):
        assert_problem(post(caller, line + "x" * size + "\n" + line, NDJSON), 400, "body")
    long = json.dumps({**ROWS[0], "more": "x"}).replace('"x"', '"' + "x" * 32_000 + '"')
    assert [len(row) for row in by_ndjson(caller, (long + "\n") * 3)] == [3, 3, 3]


def test_a_full_disk_is_said_and_nothing_is_half_done(caller: Caller, monkeypatch: Any) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(uploads, "_copy", full)
    assert_problem(post(caller, as_csv(ROWS), CSV), 507, "no-room")


# ── one bundle, and an end ───────────────────────────────────────────────────


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
    monkeypatch.setattr("service.server.logs._log", log)
    lines = SimpleNamespace(msg=lambda line: logged.append(json.loads(line)))
    monkeypatch.setattr("service.server.logs.Requests.lines", lines)
    monkeypatch.setattr("service.api.stocklists.services._log", log)
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
    assert (ended["event"], ended["valued"], ended["ended"]) == ("stock list", 125, False)


def test_an_answer_that_nobody_reads_any_more_ends_and_frees_its_file(
    own_app: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept: list[Any] = []
    take_in = uploads.take_in
    monkeypatch.setattr(
        "service.http.blueprint.take_in",
        lambda limit, **how: kept.append(take_in(limit, **how)) or kept[-1],
    )
    with begun(caller_of(own_app), many(5000)) as found:
        next(iter(found.response))
        assert not kept[0].closed
    assert kept[0].closed


def test_values_of_a_list_are_counted_by_the_evidence_behind_them(own_app: Flask) -> None:
    caller = caller_of(own_app)
    for form, text in ((CSV, as_csv), (NDJSON, as_ndjson)):
        assert post(caller, text([*ROWS, {"id": "x", "instrument": {"maker": "?"}}]), form).status_code == 200
    said = caller_of(own_app, "metrics").get("/metrics").text
    assert 'bookmatch_valuations_total{evidence="many"} 2.0' in said
    assert 'bookmatch_valuations_total{evidence="few"} 6.0' in said
