"""Rows by the chunk: few at first, so that the answer begins at once, then as many as are valued fastest."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain, islice, repeat
from typing import NamedTuple, TypeVar

from models.stocklist import ROWS_AT_ONCE

R = TypeVar("R")
_FIRST = (25, 100)


class Answered(NamedTuple):
    """What is answered of some rows: how many they are, how many could not be valued, and the text."""

    rows: int
    failed: int
    text: bytes


def chunked(rows: Iterable[R]) -> Iterator[list[R]]:
    """The rows in order, in lists that never hold more than `ROWS_AT_ONCE`."""
    left = iter(rows)
    for size in chain(_FIRST, repeat(ROWS_AT_ONCE)):
        chunk = list(islice(left, size))
        if not chunk:
            return
        yield chunk
