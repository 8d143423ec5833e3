"""Every operation of the OpenAPI document × every kind of caller: allowed, or refused with 401 or 403."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest
from apps import UNLIMITED, NewDatabase, make_app, parts
from asking import SECRET
from owner_rows import request_row
from running import Running
from sqlalchemy import Engine, insert
from who_may import CALLERS, SCOPES, YES, expected, operations

from service.db.engine import open_engine, writing
from service.db.request_tables import REQUESTS
from service.keys import kinds
from service.keys.records import KeyRing

SITE, ELSEWHERE = "https://guitars.example", "https://elsewhere.example"
NOBODY = {  # ids that are well formed and not there: whoever is let in changes nothing
    "valuation_id": "val_" + "0" * 26,
    "evidence_id": "not-there",
    "stock_number": "not-there",
    "key_id": "0" * 12,
    "request_id": "req_" + "0" * 26,
    "report_id": "rep_" + "0" * 26,
    "photograph_id": "pho_" + "0" * 26,
    "email_id": "999999999",
    "version": "20260101T000000000Z-00000000",
    "maker": "Ostvik",
    "model": "Dal",
}
Send = Callable[[str, str, dict[str, str], str | None], int]
Table = dict[str, dict[str, str]]


def callers_of(ring: KeyRing, engine: Engine) -> dict[str, dict[str, str]]:
    """The headers that each kind of caller sends."""
    revoked_id, revoked = ring.create("revoked", SCOPES)
    ring.revoke(revoked_id)
    expired_id, expired = ring.create("expired", SCOPES)
    ring.rotate(expired_id, 0)
    form = ring.create("form", kind="website", origins=[SITE])[1]
    ring.create("another form", kind="website", origins=[ELSEWHERE])
    keys = {"garbage": "bmk_000000000000_" + "a" * 43, "revoked": revoked, "expired": expired}
    keys |= {scope: ring.create(scope, [scope])[1] for scope in SCOPES}
    keys |= {"all scopes": ring.create("all", SCOPES)[1], "website": form, "foreign": form, "no origin": form}
    keys["owner"] = link_to_a_request(engine, ring, revoked_id)
    found = {name: {"Authorization": f"Bearer {key}"} for name, key in keys.items()} | {"no key": {}}
    found["website"] |= {"Origin": SITE}
    found["foreign"] |= {"Origin": ELSEWHERE}
    return found


def link_to_a_request(engine: Engine, ring: KeyRing, key_id: str) -> str:
    """The private link of another request than the one that is asked for."""
    link = "bmf_" + "o" * 43
    row = request_row("req_" + "1" * 26, key_id, ring.digest(link))
    with writing(engine) as connection:
        connection.execute(insert(REQUESTS).values(row))
    return link


def asked(document: dict[str, Any]) -> dict[str, tuple[str, str, dict[str, str], str | None]]:
    """Every operation of the document as a request: method, path, headers and body."""
    found = {}
    for path, item in document["paths"].items():
        filled = re.sub(r"{(\w+)}", lambda match: NOBODY[match[1]], path)
        for method in item.keys() - {"parameters"}:
            forms = list(item[method].get("requestBody", {}).get("content", {}))
            headers = {"Content-Type": forms[0]} if forms else {}
            body = None if not forms else "{}" if "json" in forms[0] else "id\n"
            found[f"{method.upper()} {path}"] = (method.upper(), filled, headers, body)
    return found


def told(status: int) -> str:
    """Being let in shows by whatever comes after: 404 for an id that is not there, 422 for an empty body."""
    if status in (401, 403):
        return str(status)
    return YES if status < 500 and status != 429 else f"odd: {status}"


def table(send: Send, document: dict[str, Any], ring: KeyRing, engine: Engine) -> Table:
    headers = callers_of(ring, engine)
    return {
        name: {caller: told(send(method, path, {**form, **headers[caller]}, body)) for caller in CALLERS}
        for name, (method, path, form, body) in asked(document).items()
    }


def printed(rows: Table) -> str:
    wide = max(map(len, rows))
    head = f"{'':{wide}}  " + "  ".join(CALLERS)
    lines = [
        f"{name:{wide}}  " + "  ".join(f"{row[caller]:{len(caller)}}" for caller in CALLERS)
        for name, row in rows.items()
    ]
    return "\n".join([head, *lines])


@pytest.fixture(scope="module", params=["in process on SQLite", "over HTTP on PostgreSQL"])
def found(
    request: pytest.FixtureRequest,
    new_database: NewDatabase,
    fake_store: Path,
    tmp_path_factory: pytest.TempPathFactory,
) -> Table:
    """Return the answer of every operation to every caller."""
    if "SQLite" in request.param:
        app = make_app(fake_store, new_database("sqlite"))

        def inside(method: str, path: str, headers: dict[str, str], body: str | None) -> int:
            return app.test_client().open(path, method=method, headers=headers, data=body).status_code

        rows = table(inside, app.test_client().get("/openapi.json").json, parts(app).keys, parts(app).engine)
        parts(app).engine.dispose()
    else:
        database = new_database("postgresql")
        settings = {f"BOOKMATCH_{name.upper()}": str(most) for name, most in UNLIMITED.items()}
        settings |= {"BOOKMATCH_DATABASE": database}
        with (
            Running(tmp_path_factory.mktemp("matrix"), fake_store, settings=settings) as service,
            httpx.Client(base_url=service.url, timeout=30) as http,
        ):

            def outside(method: str, path: str, headers: dict[str, str], body: str | None) -> int:
                return http.request(method, path, headers=headers, content=body).status_code

            engine = open_engine(database)
            rows = table(
                outside, json.loads(http.get("/openapi.json").content), KeyRing(engine, SECRET), engine
            )
            engine.dispose()
    print(f"\n{request.param}: {sum(map(len, rows.values()))} cells\n{printed(rows)}")
    return rows


def test_every_operation_has_a_row_and_every_row_an_operation(found: Table) -> None:
    assert set(found) == set(operations())
    assert set(SCOPES) == set(kinds.SCOPES)


@pytest.mark.parametrize("name", operations())
def test_it_lets_in_those_whom_the_documents_name_and_nobody_else(found: Table, name: str) -> None:
    assert found[name] == expected(operations()[name])


def test_the_table_of_what_is_expected_tells_callers_apart() -> None:
    """A slip in the table itself would make it say yes, or no, to all."""
    rows = [expected(who) for who in operations().values()]
    assert all({row[caller] for row in rows} == {YES, "401"} for caller in ("no key", "garbage", "revoked"))
    assert all(
        {row[caller] for row in rows} == {YES, "403"} for caller in ("valuations", "inventory", "website")
    )
    assert all(row["all scopes"] == YES for row in rows)
