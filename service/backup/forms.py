"""Name the types of columns in an archive and write their values as JSON, the same for both databases."""

from __future__ import annotations

from base64 import b64decode, b64encode
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import Boolean, Column, Date, DateTime, Float, Integer, LargeBinary, String

from service.db.tables import UtcDateTime

Read = Callable[[Any], Any]
_WORDS: Sequence[tuple[type[Any], str]] = (
    (UtcDateTime, "moment"),
    (DateTime, "moment"),
    (Date, "day"),
    (Boolean, "flag"),
    (Integer, "whole"),
    (Float, "number"),
    (LargeBinary, "bytes"),
    (String, "text"),  # Text is one too
)
_WRITTEN: Mapping[type[Any], Callable[[Any], str]] = {
    datetime: lambda value: value.astimezone(UTC).isoformat(timespec="microseconds"),
    date: date.isoformat,
    bytes: lambda value: b64encode(value).decode(),
}
_READ: Mapping[str, Read] = {
    "moment": datetime.fromisoformat,
    "day": date.fromisoformat,
    "bytes": b64decode,
}


def word_of(column: Column[Any]) -> str:
    """Return the archive's word for the column's type. Raises TypeError for a type without a word."""
    for kind, word in _WORDS:
        if isinstance(column.type, kind):
            return word
    raise TypeError(f"{column}: a backup does not know how to write {column.type!r}")


def written(value: Any) -> Any:
    """Return a column's value as a JSON value."""
    write = _WRITTEN.get(type(value))
    return write(value) if write else value


def reader(words: Sequence[str]) -> Callable[[Sequence[Any]], list[Any]]:
    """Return a function that reads a row's JSON values. `words`: the types of its columns."""
    reads = [_READ.get(word) for word in words]

    def read(row: Sequence[Any]) -> list[Any]:
        return [
            value if read is None or value is None else read(value)
            for read, value in zip(reads, row, strict=True)
        ]

    return read
