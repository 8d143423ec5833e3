"""Somebody at the desk: a user who is made, signs in and sends forms, as a browser does."""

from __future__ import annotations

import re
import time
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any

import pyotp
from apps import parts
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import select, update
from werkzeug.test import TestResponse

from service.db.engine import reading, writing
from service.db.request_tables import DESK_USERS
from service.desk.access import COOKIE
from service.desk.users import records
from service.desk.users.second_factor import address

PASSWORD = "a long enough password"


@dataclass
class Somebody:
    """A user, and the browser of the user: it keeps cookies and sends the token of the page's forms."""

    app: Flask
    name: str
    factor: pyotp.TOTP
    client: FlaskClient = field(init=False)

    def __post_init__(self) -> None:
        self.client = self.app.test_client()

    def code(self, steps: int = 0) -> str:
        """The code of now, or of so many steps before or after."""
        return self.factor.at(time.time(), counter_offset=steps)

    def token(self, path: str = "/desk/sign-in") -> str:
        return token_in(self.client.get(path).text)

    def sign_in(self, steps: int = 0, **more: Any) -> TestResponse:
        """Sign in; `more` replaces what is sent. Each code holds once: a second time needs another step."""
        form = {"name": self.name, "password": PASSWORD, "code": self.code(steps), "csrf_token": self.token()}
        path = more.pop("path", "/desk/sign-in")
        return self.client.post(path, data={**form, **more})

    def get(self, path: str, **more: Any) -> TestResponse:
        return self.client.get(path, **more)

    def send(self, path: str, page: str = "/desk/sessions", **form: Any) -> TestResponse:
        """Send a form with the token of a page."""
        names = {name.replace("__", "."): value for name, value in form.items()}
        return self.client.post(path, data={"csrf_token": self.token(page), **names})

    @property
    def key_id(self) -> str:
        found = {user.name: user.key_id for user in records.users(parts(self.app).engine)}
        return found[self.name]


def somebody(app: Flask, name: str = "Ann") -> Somebody:
    """Make a user and give the browser, not yet signed in."""
    found = parts(app)
    seed = records.add(found.engine, name, PASSWORD)
    return Somebody(app, name, pyotp.parse_uri(address(found.settings.secret, seed, name)))  # type: ignore[arg-type]


def user_row(ann: Somebody) -> Any:
    """The row of a user."""
    with reading(parts(ann.app).engine) as connection:
        return connection.execute(select(DESK_USERS).where(DESK_USERS.c.name == ann.name)).one()


def change(app: Flask, table: Any, **values: Any) -> None:
    """Change all rows of a table."""
    with writing(parts(app).engine) as connection:
        connection.execute(update(table).values(values))


def cookie_of(someone: Somebody) -> Any:
    return someone.client.get_cookie(COOKIE, path="/desk")


def is_in(someone: Somebody) -> bool:
    return someone.get("/desk/sessions").status_code == 200


def token_in(page: str) -> str:
    found = re.search(r'name="csrf_token" value="([^"]+)"', page)
    assert found, page[:2000]
    return found[1]


class Read(HTMLParser):
    """A page as a browser reads it: its elements with their attributes, and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]
