"""Rows by the chunk: few at first, so that the answer begins at once, then as many as are valued fastest."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import chain, islice, repeat
from typing import NamedTuple, TypeVar

from models.tables.stocklist import ROWS_AT_ONCE

R = TypeVar("R")
_FIRST = (25, 100)


class Answered(NamedTuple):
    """The answer of some rows: its text, the evidence words of its values, and how many rows failed."""

    text: bytes
    words: Sequence[str]
    failed: int


def chunked(rows: Iterable[R]) -> Iterator[list[R]]:
    """The rows in order, in lists that never hold more than `ROWS_AT_ONCE`."""
    left = iter(rows)
    for size in chain(_FIRST, repeat(ROWS_AT_ONCE)):
        chunk = list(islice(left, size))
        if not chunk:
            return
        yield chunk
