"""Split rows into chunks: small at first, so that the answer begins at once, then as large as is fastest."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import chain, islice, repeat
from typing import NamedTuple, TypeVar

from models.tables.stocklist import ROWS_AT_ONCE

R = TypeVar("R")
_FIRST = (25, 100)


class Answered(NamedTuple):
    """The answer to a chunk of rows: its text, its values' words for evidence, the number of failed rows."""

    text: bytes
    words: Sequence[str]
    failed: int


def chunked(rows: Iterable[R]) -> Iterator[list[R]]:
    """Yield the rows in order, in lists of at most `ROWS_AT_ONCE`."""
    left = iter(rows)
    for size in chain(_FIRST, repeat(ROWS_AT_ONCE)):
        chunk = list(islice(left, size))
        if not chunk:
            return
        yield chunk
