"""The report as one HTML page, which loads nothing from elsewhere; the PDF is set from the same page."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import segno
from jinja2 import Environment, PackageLoader, StrictUndefined

from models.price.interface import FACTORS
from service.reports.wording import amount, day_in_words

_STYLE = re.compile(rb"<style>(.*?)</style>", re.DOTALL)
_POLICY = (
    "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; img-src data:; "
    "style-src "
)


def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("service.reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters.update(amount=amount, day=lambda text: day_in_words(date.fromisoformat(text)))
    return made


_ENVIRONMENT = _environment()


def render(
    content: Mapping[str, Any],
    digest: str,
    address: str,
    pictures: Mapping[str, str],
    photographs: Mapping[str, bytes],
) -> bytes:
    """Return the page of this content.

    `address`: at which the report can be verified, which a QR code shows. `pictures`: SVG by name, `walk` and
    `span`. `photographs`: JPEG by digest, of those that the content names.
    """
    page = _ENVIRONMENT.get_template("report.html").render(
        content=content,
        grids=[grid_of(content["evidence"][name]) for name in ("sales", "beside")],
        digest=digest,
        address=address,
        code=segno.make_qr(address, error="m").svg_data_uri(
            border=2, dark="#3a160b", light="#fff", omitsize=True
        ),
        pictures={name: _data("image/svg+xml", svg.encode()) for name, svg in pictures.items()},
        photographs={name: _data("image/jpeg", jpeg) for name, jpeg in photographs.items()},
    )
    return page.encode()


def grid_of(comparables: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Return the comparables as one grid: a column for each, a row for each field that any was adjusted for.

    Down each column the amounts add up: `price` and `market` to `today`, `today` and `lines` to `adjusted`.
    """
    grid: dict[str, Any] = {"columns": comparables}
    for part in ("market", "lines"):
        labels = {line["field"]: line["label"] for c in comparables for line in c[part]}
        order = [path for path in FACTORS if path in labels]
        grid[part] = [
            (labels[path], [next((x for x in c[part] if x["field"] == path), None) for c in comparables])
            for path in order
        ]
    return grid


def policy_of(page: bytes) -> str:
    """Return the Content-Security-Policy under which a browser shows a page that `render` made.

    The only style that it lets pass is the page's own, by its digest, so an old page keeps its style.
    """
    found = _STYLE.search(page)
    digest = base64.b64encode(hashlib.sha256(found[1] if found else b"").digest()).decode()
    return f"{_POLICY}'sha256-{digest}'"


def _data(form: str, data: bytes) -> str:
    return f"data:{form};base64,{base64.b64encode(data).decode()}"
