"""Lists in pages: at most so many entries at once, and a link to those that follow (RFC 8288)."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any, NamedTuple, TypeVar
from urllib.parse import urlencode

from flask import request

from models.errors import Fault, InputError
from service.http.queries import Query

MOST, USUAL = 500, 100
_CURSOR = re.compile(r"after-(\d{1,18})", re.ASCII)
_CURSOR_SCHEMA = {"type": "string", "pattern": f"^{_CURSOR.pattern}$"}
_COUNT = re.compile(r"\d{1,6}", re.ASCII)
LINK = {"Link": "the address of the next page, rel=next (RFC 8288); the last page has none"}

Entry = TypeVar("Entry")


class Page(NamedTuple):
    """One page of a list: the entries after this position, at most so many."""

    after: int
    limit: int


def read_limit(text: str) -> int:
    """Read how many entries a page may have. Raises InputError."""
    if _COUNT.fullmatch(text) and 1 <= int(text) <= MOST:
        return int(text)
    raise InputError(
        [Fault("limit", text, "is not a usable number of entries", f"1 to {MOST}", "correct it")]
    )


def read_cursor(text: str) -> int:
    """Read the position that a link of ours names. Raises InputError."""
    found = _CURSOR.fullmatch(text)
    if found:
        return int(found[1])
    step = "follow the link of an answer, or leave it out to begin"
    raise InputError([Fault("cursor", text, "is not a cursor of this list", "one from a link", step)])


PAGED = (
    Query(
        "limit",
        f"how many entries a page has at most; default: {USUAL}",
        {"type": "integer", "minimum": 1, "maximum": MOST},
        read_limit,
    ),
    Query(
        "cursor",
        "where the page starts: taken from the Link of the page before",
        _CURSOR_SCHEMA,
        read_cursor,
    ),
)


def page_of(asked: dict[str, Any]) -> Page:
    """The page that a query of `PAGED` asks for; its two members are taken out of `asked`."""
    return Page(asked.pop("cursor") or 0, asked.pop("limit") or USUAL)


def next_link(found: Sequence[Any], page: Page, position: int) -> dict[str, str]:
    """The header that leads on, if `found` has one entry more than the page; `position`: that of its last."""
    if len(found) <= page.limit:
        return {}
    kept = [(name, value) for name, value in request.args.items() if name != "cursor"]
    query = urlencode([*kept, ("cursor", f"after-{position}")])
    return {"Link": f'<{request.path}?{query}>; rel="next"'}
