"""Files of our own for pages: style, script and drawings, under addresses that change with them."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import NamedTuple

from service.http.responses import SVG

_KINDS = {"css": "text/css", "js": "text/javascript", "svg": SVG}


class PageFile(NamedTuple):
    """A file as it is sent, and its media type."""

    body: bytes
    kind: str


@cache
def all_files() -> Mapping[str, PageFile]:
    """Return all files by their path below the folder `static`."""
    root = files("service.form").joinpath("static")
    names = [one.name for one in root.iterdir() if one.is_file()]
    names += [f"drawings/{one.name}" for one in root.joinpath("drawings").iterdir()]
    return {name: _read(root.joinpath(name).read_bytes(), name) for name in sorted(names)}


def _read(body: bytes, name: str) -> PageFile:
    return PageFile(body, _KINDS[name.rpartition(".")[2]])


@cache
def mark() -> str:
    """Return a digest of all files, which addresses hold: scripts name each other, so all change at once."""
    digest = hashlib.blake2b(digest_size=6)
    for name, found in all_files().items():
        digest.update(name.encode() + b"\0" + found.body + b"\0")
    return digest.hexdigest()


def address(name: str) -> str:
    """Return the path of this file on the service."""
    assert name in all_files(), name
    return f"/form/files/{mark()}/{name}"
