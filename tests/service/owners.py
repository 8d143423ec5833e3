"""Requests of owners in a database, and those who may touch them."""

from __future__ import annotations

import secrets
from dataclasses import dataclass

from apps import caller_of, keys_of, parts
from asking import Caller
from flask import Flask
from owner_rows import request_row
from pictures import JPEG
from sqlalchemy import insert, select, update
from websites import form_of
from werkzeug.test import TestResponse

from service.blobs.store import Blobs
from service.db.engine import reading, writing
from service.db.request_tables import PHOTOGRAPHS, REQUESTS


@dataclass(frozen=True)
class Asked:
    """A request: its id, and callers for its form, its owner's link and the specialist."""

    app: Flask
    id: str
    form: Caller
    owner: Caller
    specialist: Caller

    @property
    def photographs(self) -> str:
        return f"/v1/requests/{self.id}/photographs"

    def set_state(self, state: str) -> None:
        with writing(parts(self.app).engine) as connection:
            connection.execute(update(REQUESTS).where(REQUESTS.c.id == self.id).values(state=state))


def asked_of(app: Flask) -> Asked:
    """A new request, which a form has made."""
    form, request_id, link = form_of(app), f"req_{secrets.token_hex(8)}", f"bmf_{secrets.token_hex(16)}"
    assert form.key is not None
    row = request_row(request_id, form.key.split("_")[1], keys_of(app).digest(link))
    with writing(parts(app).engine) as connection:
        connection.execute(insert(REQUESTS).values(row))
    return Asked(app, request_id, form, Caller(app, link), caller_of(app, "requests"))


def send(caller: Caller, path: str, body: bytes, view: str = "front", **headers: str) -> TestResponse:
    return caller.post(f"{path}?view={view}", body, **{"Content-Type": JPEG, **headers})


def blobs_of(app: Flask) -> Blobs:
    return parts(app).blobs


def files_of(app: Flask) -> set[str]:
    folder = blobs_of(app).folder
    assert folder is not None
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


def digest_of(app: Flask, photograph_id: str) -> str:
    with reading(parts(app).engine) as connection:
        wanted = select(PHOTOGRAPHS.c.digest).where(PHOTOGRAPHS.c.id == photograph_id)
        return str(connection.execute(wanted).scalar_one())
