"""Answers while the database is away or its disk is full, in one process (for real in tests/live)."""

from __future__ import annotations

import shutil
import sqlite3
from collections import namedtuple
from pathlib import Path
from typing import Any

import pytest
from apps import caller_of, parts
from asking import DAL, assert_problem
from flask import Flask
from psycopg import errors as postgres
from sqlalchemy import event
from sqlalchemy.exc import DBAPIError, InterfaceError, OperationalError

from service import problems


def test_a_full_database_is_a_clean_refusal_and_room_mends_it(own_app: Flask) -> None:
    caller, engine = caller_of(own_app), parts(own_app).engine
    made = [caller.value({}) for _ in range(3)]
    pages = {"most": 0}

    def limit(connection: Any, *_: Any) -> None:
        # What SQLite says at the end of a disk, it says at the end of these pages.
        connection.execute(f"PRAGMA max_page_count = {pages['most'] or 1}")

    event.listen(engine, "checkout", limit)
    once = {"Idempotency-Key": "full"}
    refused = next(
        found
        for found in (caller.post("/v1/valuations", DAL, **once) for _ in range(1))
        if found.status_code != 201
    )
    body = assert_problem(refused, 507, "no-room")
    assert body["detail"] == "Try again later, or send less at once."
    assert caller.post("/v1/intervals", DAL).status_code == 200
    assert [caller.get(one.headers["Location"]).data for one in made] == [one.data for one in made]
    pages["most"] = 2**30
    again = [caller.post("/v1/valuations", DAL, **once) for _ in range(2)]
    assert again[0].status_code == 201 and again[0].data == again[1].data


def test_what_drivers_say_is_told_apart() -> None:
    full = sqlite3.OperationalError("database or disk is full")
    full.sqlite_errorcode = sqlite3.SQLITE_FULL  # type: ignore[misc]
    for error, status, name in (
        (OperationalError("", {}, full), 507, "no-room"),
        (OperationalError("", {}, postgres.DiskFull()), 507, "no-room"),
        (OperationalError("", {}, postgres.AdminShutdown()), 503, "no-database"),
        (OperationalError("", {}, sqlite3.OperationalError("database is locked")), 503, "no-database"),
        (InterfaceError("", {}, Exception(), connection_invalidated=True), 503, "no-database"),
        (InterfaceError("", {}, Exception()), 500, "unexpected"),
        (DBAPIError("", {}, postgres.UndefinedTable()), 503, "no-database"),
        (DBAPIError("", {}, postgres.ReadOnlySqlTransaction()), 503, "no-database"),
        (DBAPIError("", {}, postgres.UniqueViolation()), 500, "unexpected"),
    ):
        kind = problems._kind_of(error)
        assert (kind.status, kind.name) == (status, name), error


def test_readiness_says_when_there_is_no_room(own_app: Flask, monkeypatch: pytest.MonkeyPatch) -> None:
    caller = caller_of(own_app, "metrics")
    disk = caller.get("/readyz").json["checks"]["disk"]
    assert disk["ok"] and disk["free"] > 2**20
    Usage = namedtuple("Usage", "total used free")
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: Usage(2**30, 2**30 - 4096, 4096))
    body = assert_problem(caller.get("/readyz"), 503, "not-ready")
    assert body["checks"]["disk"] == {"ok": False, "free": 4096, "problem": "there is no room for records"}

    def gone(folder: Path) -> None:
        raise FileNotFoundError(folder)

    monkeypatch.setattr(shutil, "disk_usage", gone)
    assert "not there" in assert_problem(caller.get("/readyz"), 503, "not-ready")["checks"]["disk"]["problem"]
