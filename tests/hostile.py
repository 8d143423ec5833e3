"""Requests drawn from the schemas of the OpenAPI document, and from far beyond them."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, NamedTuple
from urllib.parse import quote, urlencode

from hypothesis import strategies as st

Names = Sequence[dict[str, str]]  # makers and models of the catalogue
Ids = Mapping[str, Sequence[str]]  # ids of what there is, by the name of their place in a path
JSON, LINES, CSV = "application/json", "application/x-ndjson", "text/csv"
_TEXT = st.one_of(st.text(max_size=40), st.text(min_size=150, max_size=260), st.just("Ａ" * 200))
_WORDS = st.text(st.characters(categories=["L", "N"]), min_size=1, max_size=190)
_ANY: st.SearchStrategy[Any] = st.one_of(
    _TEXT,
    st.integers(),
    st.floats(allow_nan=False, allow_infinity=False),
    st.booleans(),
    st.none(),
    st.lists(st.integers(), max_size=5),
    st.dictionaries(_TEXT, _TEXT, max_size=5),
)


# Days, amounts and terms, whose form would be lost.
_SHORT = re.compile(r"[0-9.-]{1,20}|[a-z_]{1,40}")


class Request(NamedTuple):
    """A request: its method, path, media type and body."""

    method: str
    path: str
    form: str | None
    body: bytes | None


def of_schema(schema: dict[str, Any], document: dict[str, Any]) -> st.SearchStrategy[Any]:
    """Draw what a schema allows, by its terms, bounds and members; a text at will where it names none."""
    if "$ref" in schema:
        return of_schema(document["components"]["schemas"][schema["$ref"].rpartition("/")[2]], document)
    if "anyOf" in schema:
        return st.one_of(*(of_schema(one, document) for one in schema["anyOf"]))
    if "enum" in schema:
        return st.sampled_from(schema["enum"])
    if "properties" in schema:
        members = {name: of_schema(one, document) for name, one in schema["properties"].items()}
        needed = schema.get("required", ())
        return st.fixed_dictionaries(
            {name: one for name, one in members.items() if name in needed},
            optional={name: one for name, one in members.items() if name not in needed},
        )
    if "pattern" in schema:
        return st.one_of(st.from_regex(schema["pattern"], fullmatch=True), _WORDS)
    if schema.get("format") == "date":
        return st.dates(min_value=date(1990, 1, 1), max_value=date(2026, 1, 1)).map(str)
    kinds = schema.get("type", "string")
    kind = kinds if isinstance(kinds, str) else kinds[0]
    if kind == "array":
        return st.lists(of_schema(schema.get("items", {}), document), max_size=20)
    if kind in ("integer", "number"):
        low, high = schema.get("minimum", 0), schema.get("maximum", 10**6)
        return st.integers(int(low) + 1, int(high)) if kind == "integer" else st.floats(low, high)
    return {"boolean": st.booleans(), "null": st.none()}.get(kind, _WORDS)


def requests(document: dict[str, Any], names: Names, ids: Ids) -> st.SearchStrategy[Request]:
    """Draw a request of any operation; three of four have a body, where it takes one."""
    drawn: list[list[st.SearchStrategy[Request]]] = [[], []]
    for path, item in document["paths"].items():
        for method, operation in item.items():
            if method == "parameters":
                continue
            addresses = _addresses(path, [*item.get("parameters", ()), *operation.get("parameters", ())], ids)
            content = operation.get("requestBody", {}).get("content", {})
            for form, media in content.items():
                bodies = _bodies(form, media.get("schema", {}), document, names)
                drawn[1].append(st.builds(Request, st.just(method.upper()), addresses, st.just(form), bodies))
            if not content:
                drawn[0].append(st.builds(Request, st.just(method.upper()), addresses, st.none(), st.none()))
    without, having = (st.one_of(these) for these in drawn)
    return st.one_of(without, having, having, having)


def _addresses(path: str, parameters: Sequence[dict[str, Any]], ids: Ids) -> st.SearchStrategy[str]:
    """Draw an address: ids that are there or never were, and a query of its own and of strange members."""

    @st.composite
    def draw_address(draw: st.DrawFn) -> str:
        found = path
        for one in parameters:
            if one["in"] == "path":
                known = st.sampled_from(ids[one["name"]]) if ids.get(one["name"]) else _WORDS
                found = found.replace(f"{{{one['name']}}}", quote(draw(st.one_of(known, _WORDS)), safe=""))
        own = [one["name"] for one in parameters if one["in"] == "query"]
        strange = [] if draw(st.integers(0, 3)) else [*own, "x", "\u212b" * 9]
        members = draw(st.lists(st.tuples(st.sampled_from(strange), _WORDS), max_size=3)) if strange else []
        return f"{found}?{urlencode(members)}" if members else found

    return draw_address()


def _bodies(
    form: str, schema: dict[str, Any], document: dict[str, Any], names: Names
) -> st.SearchStrategy[bytes]:
    """Draw a body of this form: by its schema with members beside it, or of texts and bytes at will."""
    if form == CSV:
        lines = st.lists(st.lists(_WORDS, min_size=1, max_size=8).map(",".join), min_size=1, max_size=5)
        return lines.map(lambda found: "\n".join(found).encode())
    if form not in (JSON, LINES):
        return st.binary(max_size=2_000)
    texts = _objects(schema, document, names).map(lambda found: json.dumps(found).encode())
    return texts if form == JSON else st.lists(texts, max_size=4).map(b"\n".join)


def _objects(
    schema: dict[str, Any], document: dict[str, Any], names: Names
) -> st.SearchStrategy[dict[str, Any]]:
    """Draw an object by its schema, with names of the catalogue in an instrument and strange members."""
    members = of_schema(schema, document)

    @st.composite
    def draw_object(draw: st.DrawFn) -> dict[str, Any]:
        drawn = draw(members)
        found: dict[str, Any] = drawn if isinstance(drawn, dict) else {"instrument": {}}
        if isinstance(found.get("instrument"), dict) and draw(st.integers(0, 9)):
            found["instrument"] |= draw(st.sampled_from(names))
        if not draw(st.integers(0, 2)):
            found |= draw(st.dictionaries(_TEXT, _ANY, max_size=4))
        return found

    return draw_object()


def varied(drawn: Request, number: int) -> Request:
    """The same request with every text but the catalogue's names and the days made another one."""
    if drawn.body is None or drawn.form not in (JSON, LINES):
        return drawn
    lines = drawn.body.split(b"\n") if drawn.form == LINES else [drawn.body]
    changed = (json.dumps(_varied(json.loads(line), number)).encode() if line else b"" for line in lines)
    return drawn._replace(body=b"\n".join(changed))


def _varied(value: Any, number: int) -> Any:
    if isinstance(value, str) and not _SHORT.fullmatch(value):
        return f"{value}{number}" if len(value) < 190 else f"{number}{value}"[: len(value)]
    if isinstance(value, dict):
        kept = ("maker", "model")
        return {name: one if name in kept else _varied(one, number) for name, one in value.items()}
    return value
