"""Watchlists over HTTP: made, shown and listed, on both databases; each refusal with its pointer."""

from __future__ import annotations

from typing import Any

import pytest
from apps import caller_of
from asking import Caller, assert_problem, faults_of
from flask import Flask

PATH = "/v1/watchlists"


@pytest.fixture
def shop(shared_app: Flask) -> Caller:
    return caller_of(shared_app, "evidence")


def test_what_is_made_is_shown(shop: Caller) -> None:
    made = shop.post(PATH, {"name": "basses"})
    assert (made.status_code, made.json["name"]) == (201, "basses")
    assert made.headers["Location"] == f"{PATH}/{made.json['id']}"
    assert shop.get(made.headers["Location"]).json == made.json


def test_lists_come_in_pages_in_the_order_in_which_they_were_made(shop: Caller) -> None:
    names = [shop.post(PATH, {"name": f"list {number}"}).json["name"] for number in range(3)]
    found, path = [], f"{PATH}?limit=2"
    while path:
        page = shop.get(path)
        found += [one["name"] for one in page.json["watchlists"]]
        path = page.headers.get("Link", "").partition(">")[0].removeprefix("<")
    assert found[-3:] == names


def test_the_same_idempotency_key_makes_one_list(shop: Caller) -> None:
    first, again = (shop.post(PATH, {"name": "once"}, **{"Idempotency-Key": "w-1"}) for _ in range(2))
    assert first.json == again.json
    assert [one["name"] for one in shop.get(f"{PATH}?limit=500").json["watchlists"]].count("once") == 1


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({}, "#/name"),
        ({"name": None}, "#/name"),
        ({"name": ""}, "#/name"),
        ({"name": "a\0b"}, "#/name"),
        ({"name": "x" * 201}, "#/name"),
        ({"name": "a", "nmae": "b"}, "#/nmae"),
    ],
)
def test_each_refusal_has_its_pointer(shop: Caller, body: Any, pointer: str) -> None:
    assert set(faults_of(shop.post(PATH, body))) == {pointer}


@pytest.mark.parametrize("unknown", ["wat_" + "0" * 26, "x", "%00"])
def test_an_unknown_id_is_no_list(shop: Caller, unknown: str) -> None:
    assert_problem(shop.get(f"{PATH}/{unknown}"), 404, "record")


def test_a_key_without_the_scope_is_refused(shared_app: Flask) -> None:
    assert_problem(caller_of(shared_app, "metrics").get(PATH), 403, "scope")
