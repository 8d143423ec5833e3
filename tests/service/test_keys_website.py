"""A website key is read by the world: what it opens, from where, and whose valuations it shows."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from apps import caller_of, keys_of
from asking import DAL, Caller, assert_problem
from described import operations
from flask import Flask
from owners import asked_of
from pictures import JPEG, jpeg
from request_bodies import BODY
from websites import ASKING, HERE, OPEN, OTHER, SITE, form_of

# The bodies of what asks for no value.
BODIES: dict[str, Any] = {"/v1/requests": BODY, f"{ASKING}/answers": {"answers": {"serial": "F 1"}}}


def paths(app: Flask) -> set[tuple[str, str]]:
    """Every keyed operation: its method, and its path with placeholders filled in."""
    found = set()
    for rule in app.url_map.iter_rules():
        path = rule.rule.replace("<name:maker>", "Ostvik").replace("<name:model>", "Dal")
        for method in {"GET", "POST", "PUT", "PATCH", "DELETE"} & (rule.methods or set()):
            if path.startswith("/v1") and not path.endswith("/verification"):  # which needs no key
                found.add((method, path))
    return found


def test_it_opens_what_a_form_needs_and_nothing_else(shared_app: Flask) -> None:
    its = asked_of(shared_app)
    form = its.form
    made = form.post("/v1/valuations", DAL, **HERE)
    opened = set()
    for method, path in paths(shared_app):
        asked = path.replace("<string:valuation_id>", made.json["id"]).replace("<string:request_id>", its.id)
        body: Any = {"json": BODIES.get(path, DAL)}
        if path.endswith("/photographs"):
            body = {"data": jpeg(), "content_type": JPEG, "query_string": {"view": "front"}}
        found = form.client.open(asked, method=method, **body, headers=form.headers(HERE))
        if found.status_code in (200, 201):
            opened.add((method, path))
        else:
            assert_problem(found, 403, "scope")
    assert opened == OPEN


def test_it_works_from_its_own_origin_only(shared_app: Flask) -> None:
    form = form_of(shared_app)
    for origin in (OTHER, "null", "*", f"{SITE}/", f"{SITE}:443", SITE.upper(), "http://guitars.example", ""):
        body = assert_problem(form.post("/v1/valuations", DAL, Origin=origin), 403, "origin")
        assert SITE not in body["detail"].replace(repr(origin), "")  # whose it is, is nobody's business
    assert_problem(form.post("/v1/valuations", DAL), 403, "origin")
    assert form.post("/v1/valuations", DAL, **HERE).status_code == 201


def test_a_secret_key_works_from_anywhere(caller: Caller) -> None:
    assert caller.post("/v1/intervals", DAL, Origin=OTHER).status_code == 200


def test_it_reads_of_valuations_only_those_that_it_made(shared_app: Flask, caller: Caller) -> None:
    mine, other = form_of(shared_app), form_of(shared_app)
    made = mine.post("/v1/valuations", DAL, **HERE)
    secret = caller.post("/v1/valuations", DAL)
    path = made.headers["Location"]
    assert mine.get(path, **HERE).data == made.data
    assert caller.get(path).data == made.data  # a system key reads all
    for below in ("", "/questions", "/sentences", "/waterfall.svg"):
        assert mine.get(path + below, **HERE).status_code == 200
        assert_problem(other.get(path + below, **HERE), 404, "record")
        assert_problem(mine.get(secret.headers["Location"] + below, **HERE), 404, "record")


def test_what_it_made_stays_its_own_when_it_is_rotated(shared_app: Flask) -> None:
    form = form_of(shared_app)
    made = form.post("/v1/valuations", DAL, **HERE)
    rotated = Caller(shared_app, keys_of(shared_app).rotate((form.key or "").split("_")[1]))
    assert rotated.get(made.headers["Location"], **HERE).data == made.data


@pytest.mark.parametrize(
    ("include", "kind"), [("questions,sentences", None), ("questions,comparables", "scope")]
)
def test_evidence_is_not_shown_to_the_world(shared_app: Flask, include: str, kind: Any) -> None:
    found = form_of(shared_app).post(f"/v1/valuations?include={include}", DAL, **HERE)
    if kind:
        assert "comparables" in assert_problem(found, 403, kind)["detail"]
    else:
        assert found.status_code == 201 and set(include.split(",")) <= set(found.json)


def test_every_part_that_shows_a_record_of_a_sale_is_kept_back(own_app: Flask) -> None:
    form, secret = form_of(own_app), caller_of(own_app)
    ask = {"instrument": {"maker": "Ostvik", "model": "Fjell 2", "serial": "F 77"}, "date": "2026-01-02"}
    for name in ("comparables", "earlier_records"):
        shown = secret.post(f"/v1/valuations?include={name}", ask)
        assert '"2000"' in shown.text  # the price of the one sale that the bundle keeps
        assert_problem(form.post(f"/v1/valuations?include={name}", ask, **HERE), 403, "scope")
    shown = form.post("/v1/valuations?include=questions,sentences", ask, **HERE)
    assert shown.status_code == 201 and '"2000"' not in shown.text


def test_it_carries_no_scope_whatever_the_table_says(own_app: Flask) -> None:
    form = form_of(own_app)
    with own_app.extensions["bookmatch"].engine.begin() as connection:
        connection.exec_driver_sql("UPDATE api_key SET scopes = 'admin valuations'")
    assert_problem(form.get("/v1/keys", **HERE), 403, "scope")


def test_the_document_lists_the_addresses_that_a_website_key_can_ask(caller: Caller) -> None:
    """The table names each operation, or that all below an address are open."""
    page = (Path(__file__).parents[2] / "docs" / "http-api.md").read_text()
    table = page.split("| address | gives |")[1].split("\n\n")[0]
    listed = {tuple(row.split(" ")) for row in re.findall(r"^\| `(\w+ [^`]+)`", table, re.MULTILINE)}
    below = re.findall(r"^\| `GET ([^`]+)` and all below it", table, re.MULTILINE)
    found = operations(caller.get("/openapi.json").json)
    asked = {(method.upper(), path): operation for path, method, operation in found}
    open_to_forms = {
        one for one, operation in asked.items() if {"website_key": []} in operation.get("security", ())
    }
    covered = {one for one in asked if one[0] == "GET" and one[1].startswith(tuple(f"{at}/" for at in below))}
    covered = {one for one in covered if not one[1].startswith("/v1/catalogue/draft")}  # the table says so
    assert "but its [draft]" in table and below == ["/v1/catalogue"] and covered
    assert open_to_forms == listed | covered
