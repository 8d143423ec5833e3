"""A person's browser without script, at the form and at an owner's page."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any

from flask import Flask
from PIL import Image
from werkzeug.test import TestResponse

SAID = {
    "language": "en",
    "instrument.maker": "Ostvik",
    "instrument.model": "Dal",
    "instrument.year": "1965",
    "instrument.condition.neck": "2",
    "purpose": "insurance",
    "contact.name": "Ronja Eklund",
    "contact.email": "ronja@example.org",
    "consent": "2026-11",
}


@dataclass
class Parsed(HTMLParser):
    """The elements of a page with their attributes, and its text."""

    source: str
    elements: list[tuple[str, dict[str, str | None]]] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__()
        self.feed(self.source)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.texts.append(data)

    @property
    def text(self) -> str:
        return "".join(self.texts)

    def named(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]

    def control(self, name: str) -> dict[str, str | None]:
        (found,) = [about for _, about in self.elements if about.get("name") == name]
        return found

    def fault(self, name: str) -> str:
        """The fault beside a question; empty for none."""
        identity = f"f-{name.replace('.', '-')}-fault"
        (about,) = [about for _, about in self.elements if about.get("id") == identity]
        if "hidden" in about:
            return ""
        return self.source.split(f'id="{identity}"')[1].split(">", 1)[1].split("<", 1)[0]


def picture(color: str = "#8a3b12", kind: str = "JPEG") -> io.BytesIO:
    kept = io.BytesIO()
    Image.new("RGB", (64, 48), color).save(kept, kind)
    kept.seek(0)
    return kept


def send(app: Flask, files: Mapping[str, Any] | None = None, **more: str | None) -> TestResponse:
    """Post the form, as a browser without script does; None leaves a field out."""
    said = {name: value for name, value in {**SAID, **more}.items() if value is not None}
    headers = {"Sec-Fetch-Site": "same-origin", "Origin": "null"}
    return app.test_client().post("/form", data={**said, **(files or {})}, headers=headers)


def followed(app: Flask, **more: str | None) -> str:
    """The path of the owner's page of a new request."""
    found = send(app, **more)
    assert found.status_code == 303, found.text
    return found.headers["Location"].partition("?")[0]
