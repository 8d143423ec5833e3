"""Lists in pages: a limited number of entries at once, and a link to the next page (RFC 8288)."""

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
    """A page of a list: the first `limit` entries whose position is greater than `after`."""

    after: int
    limit: int


def read_limit(text: str) -> int:
    """Read the largest number of entries of a page. Raises InputError."""
    if _COUNT.fullmatch(text) and 1 <= int(text) <= MOST:
        return int(text)
    raise InputError(
        [Fault("limit", text, "is not a usable number of entries", f"1 to {MOST}", "correct it")]
    )


def read_cursor(text: str) -> int:
    """Read the position from the cursor of a link to the next page. Raises InputError."""
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
    """Return the requested page, and remove its two members `cursor` and `limit` from the query `asked`."""
    return Page(asked.pop("cursor") or 0, asked.pop("limit") or USUAL)


def next_link(found: Sequence[Any], page: Page, position: int) -> dict[str, str]:
    """Return the header Link to the next page if `found` has more entries than the page, else nothing.

    `position`: the position of the page's last entry.
    """
    return link_after(position) if len(found) > page.limit else {}


def link_after(position: int | str) -> dict[str, str]:
    """Return the header Link to the page after this position."""
    kept = [(name, value) for name, value in request.args.items() if name != "cursor"]
    query = urlencode([*kept, ("cursor", f"after-{position}")])
    return {"Link": f'<{request.path}?{query}>; rel="next"'}
