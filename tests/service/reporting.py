"""An owner's request as the database holds it, a specialist, and readers of what reports print."""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from decimal import Decimal
from html.parser import HTMLParser
from typing import Any

import pytest
from apps import keys_of, parts
from asking import Caller
from flask import Flask
from owner_rows import request_row
from pictures import encoded
from PIL import Image
from pypdf import PdfReader
from report_facts import DAY, GRADED, SETTINGS
from sqlalchemy import insert

from service.api.reports import issuing
from service.db.engine import writing
from service.db.ids import new_id
from service.db.request_tables import CONTACTS, PHOTOGRAPHS, REQUESTS
from service.photographs.taking import put


def requested(app: Flask, graded: dict[str, Any] | None = None, **about: Any) -> tuple[str, str]:
    """Keep a request as the form would have; return its id and the owner's link. `about`: other columns."""
    ring = keys_of(app)
    key_id, request_id = ring.create("a site", ["requests"])[0], new_id("req")
    link = f"bmf_{new_id('x')[2:]}"
    contact = {"name": "Ms Owner", "email": "owner@home.example", "phone": None, "message": None}
    contact |= {name: about.pop(name) for name in list(about) if name in contact}
    told = {"state": "reviewing", "purpose": "insurance", "graded": json.dumps(graded or GRADED), **about}
    row = {**request_row(request_id, key_id, ring.digest(link)), **told}
    with writing(parts(app).engine) as connection:
        connection.execute(insert(REQUESTS).values(row))
        if contact["name"] is not None:
            told = {"request_id": request_id, "reference": None, "link": link, **contact}
            connection.execute(insert(CONTACTS).values(told))
    return request_id, link


def photographed(app: Flask, request_id: str, view: str = "front", colour: str = "#803010") -> str:
    """Keep a photograph of the request; return its digest."""
    data = encoded(Image.new("RGB", (90, 120), colour), "JPEG")
    digest = hashlib.sha256(data).hexdigest()
    put(parts(app).blobs, digest, data, data)
    row = {"id": new_id("pho"), "request_id": request_id, "view": view, "digest": digest, "width": 90}
    row |= {"height": 120, "bytes": len(data), "created": datetime.now(UTC)}
    with writing(parts(app).engine) as connection:
        connection.execute(insert(PHOTOGRAPHS).values(row))
    return digest


def settled(specialist: Caller, **changes: Any) -> None:
    """Send the specialist's settings."""
    found = specialist.ask("put", "/v1/specialist", {**SETTINGS, **changes})
    assert found.status_code == 200, found.text


def issued(specialist: Caller, request_id: str, type_of_value: str = "fair_market_value", **more: Any) -> Any:
    """Issue a report, and return the answer's body."""
    body = {"type_of_value": type_of_value, "effective_date": DAY, **more}
    found = specialist.post(f"/v1/requests/{request_id}/reports", body)
    assert found.status_code == 201, found.text
    return found.json


@contextmanager
def unprinted() -> Iterator[None]:
    """Issue reports without a true PDF, which takes a second, for tests of what the page and JSON say."""
    with pytest.MonkeyPatch.context() as quick:
        quick.setattr(issuing, "run", lambda *args, **kwargs: b"no PDF")
        yield


def reopened(specialist: Caller, request_id: str) -> None:
    """Take a reported request up again, for a correction."""
    found = specialist.ask("patch", f"/v1/requests/{request_id}", {"state": "reviewing"})
    assert found.status_code == 200, found.text


def reportable(caller: Caller, path: str) -> str:
    """Fill in a path: with the id of a report that is new, or of a request that can get one."""
    settled(caller)
    request_id, _ = requested(caller.app)
    if "{report_id}" in path:
        with unprinted():
            return path.replace("{report_id}", issued(caller, request_id)["id"])
    return path.replace("{request_id}", request_id)


def pdf_text(data: bytes) -> str:
    """All that the pages of a PDF say, with single spaces."""
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(data)).pages).split())


def amount(text: str) -> Decimal:
    """Read an amount as a report prints it: 1,250.00, −12.50, +3.00."""
    return Decimal(text.split()[0].replace(",", "").replace("−", "-").replace("+", ""))


class Page(HTMLParser):
    """A page as a browser reads it: its elements, its texts, and its tables row by row."""

    def __init__(self, page: bytes) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.tables: list[list[list[str]]] = []
        self.captions: list[str] = []
        self._open: list[str] = []
        self.feed(page.decode())
        self.close()

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def table(self, caption: str) -> list[list[str]]:
        """The rows of the one table whose caption begins so."""
        (found,) = (at for at, words in enumerate(self.captions) if words.strip().startswith(caption))
        return self.tables[found]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "link", "img", "br", "input"):
            self._open.append(tag)
        if tag == "table":
            self.tables.append([])
            self.captions.append("")
        elif tag == "tr":
            self.tables[-1].append([])
        elif tag in ("th", "td"):
            self.tables[-1][-1].append("")
        elif tag == "br" and {"th", "td"} & set(self._open):
            self.tables[-1][-1][-1] += " "

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag, f"</{tag}> closes another element"

    def handle_data(self, data: str) -> None:
        if self._open[-1:] in (["style"], ["script"]):
            return
        self.words.append(data)
        if "caption" in self._open:
            self.captions[-1] += data
        elif {"th", "td"} & set(self._open):
            self.tables[-1][-1][-1] += data


SUMS = ("The price model's ", "The value concluded")


def sums_of(page: Page) -> list[str]:
    """Check that the printed steps add up to the cent; return the texts of the sums among them."""
    (_, first), *rows = [(text, amount(cell)) for text, cell in page.table("The same in amounts")[1:]]
    total, sums, steps = first, [], 0
    for text, printed in rows:
        if text.startswith(SUMS):
            assert printed == total, text
            sums.append(text)
        else:
            total += printed
            steps += 1
    assert steps > 2
    return sums
