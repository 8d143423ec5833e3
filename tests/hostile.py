"""Requests drawn from the schemas of the OpenAPI document, and from far beyond them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any, NamedTuple

from hypothesis import strategies as st

# Paths whose bodies hold an instrument, with what stands around it, and the form of the body.
BODIES = (
    ("/v1/valuations", "application/json"),
    ("/v1/intervals", "application/json"),
    ("/v1/attributions", "application/json"),
    ("/v1/stocklists", "application/x-ndjson"),
    ("/v1/evidence", "application/json"),
)
Names = Sequence[dict[str, str]]  # makers and models of the catalogue
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
        return st.fixed_dictionaries({}, optional=members)
    kinds = schema.get("type", "string")
    kind = kinds if isinstance(kinds, str) else kinds[0]
    if kind == "array":
        return st.lists(of_schema(schema.get("items", {}), document), max_size=20)
    if kind in ("integer", "number"):
        low, high = schema.get("minimum", 0), schema.get("maximum", 10**6)
        return st.integers(int(low) + 1, int(high)) if kind == "integer" else st.floats(low, high)
    return {"boolean": st.booleans(), "null": st.none()}.get(kind, _WORDS)


def requests(document: dict[str, Any], names: Names) -> st.SearchStrategy[Request]:
    """Draw a request: a body by its schema with members beside it, or a path or query of any names."""
    instrument = of_schema({"$ref": "#/components/schemas/Instrument"}, document)

    @st.composite
    def draw_body(draw: st.DrawFn) -> Request:
        path, form = draw(st.sampled_from(BODIES))
        it = draw(instrument)
        if draw(st.integers(0, 9)):
            it |= draw(st.sampled_from(names))
        if draw(st.booleans()):
            it |= draw(st.dictionaries(_TEXT, _ANY, max_size=4))
        body: dict[str, Any] = {"instrument": it}
        if draw(st.booleans()):
            body |= draw(st.dictionaries(st.sampled_from(("id", "date", "x")), _ANY))
        return Request("POST", path, form, json.dumps(body).encode())

    def read(name: str) -> Request:
        return Request(
            "GET", f"/v1/catalogue/makers/{name.encode().hex()}/models?{name.encode().hex()}=1", None, None
        )

    return st.one_of(draw_body(), draw_body(), draw_body(), st.text(max_size=200).map(read))


def varied(drawn: Request, number: int) -> Request:
    """The same request with every text but the catalogue's names and the days made another one."""
    if drawn.body is None:
        return drawn._replace(path=drawn.path.replace("/models", f"{number}/models"))
    return drawn._replace(body=json.dumps(_varied(json.loads(drawn.body), number)).encode())


def _varied(value: Any, number: int) -> Any:
    if isinstance(value, str):
        return f"{value}{number}" if len(value) < 190 else f"{number}{value}"[: len(value)]
    if isinstance(value, dict):
        kept = ("maker", "model")
        return {name: one if name in kept else _varied(one, number) for name, one in value.items()}
    return value
