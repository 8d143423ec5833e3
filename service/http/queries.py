"""The members of a URL's query: their names, descriptions, schemas and readers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any, NamedTuple, TypeVar

from flask import request

from models.domain.cells import read_term
from models.domain.names import ALIKE, nearest
from models.errors import Fault, InputError
from service.errors import FaultyRequestError, Located

T = TypeVar("T")
# Words by which people, and some addresses here, call the two ends of a period.
_OTHER_WORDS = ({"from", "since", "after"}, {"to", "until", "before"})


class Query(NamedTuple):
    """One member of a view's query: its name, description, JSON schema, and the function that reads it.

    `read` raises InputError for a wrong text. `required`: a request without it is refused. An array is one
    text with commas, or the member sent several times.
    """

    name: str
    text: str
    schema: dict[str, Any]
    read: Callable[[str], Any]
    required: bool = False

    def described(self) -> dict[str, Any]:
        """Return the member as a parameter of the OpenAPI document."""
        parameter = {"name": self.name, "in": "query", "required": self.required, "description": self.text}
        style = {"style": "form", "explode": False} if self.is_array else {}
        return {**parameter, **style, "schema": self.schema}

    @property
    def is_array(self) -> bool:
        """Say whether the member is a list of values."""
        return bool(self.schema.get("type") == "array")


def checked(read: Callable[[str, list[Fault]], T]) -> Callable[[str], T]:
    """Make what reads a query's text of a rule that adds what is wrong to a list. It raises InputError."""

    def read_checked(text: str) -> T:
        faults: list[Fault] = []
        found = read(text, faults)
        if faults:
            raise InputError(faults)
        return found

    return read_checked


def flag(name: str, text: str, **schema: Any) -> Query:
    """Return a member that is true or false, in any letters: many libraries write True."""
    words = ("true", "false")
    read = checked(lambda given, faults: read_term(name, given.strip(), words, faults) == "true")
    return Query(name, text, {"type": "boolean", **schema}, read)


def read_query(queries: Sequence[Query]) -> dict[str, Any]:
    """Read this request's query: name → value, None for a member not sent. Raises FaultyRequestError."""
    if not request.environ.get("QUERY_STRING") and not any(query.required for query in queries):
        return {query.name: None for query in queries}  # a shortcut, since most requests have no query
    found: dict[str, Any] = {}
    faults = _unknown([query.name for query in queries])
    for query in queries:
        try:
            found[query.name] = _one(query)
        except InputError as error:
            faults.extend(error.faults)
    if faults:
        raise FaultyRequestError([Located(None, fault) for fault in faults])
    return found


def _one(query: Query) -> Any:
    texts = request.args.getlist(query.name)
    if query.is_array and texts:
        return query.read(",".join(texts))
    if len(texts) > 1:
        raise InputError([Fault(query.name, texts[1], "is in the query twice", "", "send it once")])
    if query.required and not texts:
        allowed = ", ".join(query.schema.get("enum", ()))
        raise InputError([Fault(query.name, None, "is required", allowed, f"send {query.name}")])
    return query.read(texts[0]) if texts else None


def _unknown(names: Sequence[str]) -> list[Fault]:
    # Otherwise a misspelt name would be ignored, and the caller would not notice.
    in_body = ", or send it in the body if it is a member of that" if request.is_json else ""
    return [
        Fault(
            name,
            value,
            "is not a member of this query",
            ", ".join(names),
            f"leave it out{in_body}",
            partial(_near, name, names),
        )
        for name, value in request.args.items()
        if name not in names
    ]


def _near(name: str, names: Sequence[str]) -> tuple[str, ...]:
    meant = {one for words in _OTHER_WORDS if name in words for one in words}
    return nearest(name, names, 1, ALIKE) or tuple(one for one in names if one in meant)
