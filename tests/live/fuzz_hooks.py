"""What schemathesis is told beside the document: names and ids that exist, rows, and what no schema can say.

Loaded by schemathesis itself (SCHEMATHESIS_HOOKS). FUZZ_KNOWN: ids that exist, by the name of their place.
"""

from __future__ import annotations

import csv
import io
import json
import os
from datetime import date
from typing import Any

import httpx
import schemathesis
from hypothesis import strategies as st

KNOWN: dict[str, str] = json.loads(os.environ.get("FUZZ_KNOWN", "{}"))
OWN_KEY = os.environ.get("FUZZ_OWN_KEY")
NAMES = [("Ostvik", "Fjell 2"), ("Ostvik", "Dal"), ("Séraphine & Fils", "Étoile")]

# ── what is generated ────────────────────────────────────────────────────────


def known_names(body: Any) -> Any:
    """The body with a maker and model of the catalogue wherever both are text: else all would be refused."""
    if isinstance(body, list):
        return [known_names(one) for one in body]
    if not isinstance(body, dict):
        return body
    body = {name: known_names(value) for name, value in body.items()}
    maker, model = body.get("maker"), body.get("model")
    if all(isinstance(text, str) and 0 < len(text) <= 200 for text in (maker, model)):
        body["maker"], body["model"] = NAMES[len(maker + model) % len(NAMES)]
    return body


@schemathesis.hook
def map_body(context: Any, body: Any) -> Any:
    return known_names(body)


@schemathesis.hook
def map_path_parameters(context: Any, path_parameters: dict[str, Any] | None) -> dict[str, Any] | None:
    """Of two ids one that exists."""
    if not path_parameters:
        return path_parameters
    asked = {**path_parameters}
    if all(isinstance(value, str) and len(value) % 2 for value in asked.values()):
        asked |= {name: KNOWN[name] for name in asked if name in KNOWN}
        if "maker" in asked:
            names = dict(zip(("maker", "model"), NAMES[len(asked["maker"]) % len(NAMES)], strict=True))
            asked |= {name: value for name, value in names.items() if name in asked}
    return asked


@schemathesis.hook
def before_call(context: Any, case: Any, kwargs: Any) -> None:
    """Whatever is revoked or rotated, it is not the key that all this is asked with."""
    if (case.path_parameters or {}).get("key_id") == OWN_KEY:
        case.path_parameters["key_id"] = KNOWN["key_id"]
    if case.operation.path.endswith("/outcome") and case.method == "DELETE":
        # A valuation that was just made has none, which schemathesis takes for a valuation that is lost.
        path = f"{os.environ['FUZZ_URL']}/v1/valuations/{case.path_parameters['valuation_id']}/outcome"
        sold = {"date": date.today().isoformat(), "price": "900.00"}
        httpx.put(path, json=sold, headers={"Authorization": f"Bearer {os.environ['FUZZ_KEY']}"})


_CELLS = ["", "0", "3", "5", "2.5", "sound", "original", "true", "1966", "9", "x", "Tarn", '"']
_COLUMNS = ["condition_neck", "condition_structure", "originality_nut", "year", "finish", "serial", "shelf"]
_SALE = {"kind": "sale", "date": "2025-03-04", "price": "900", "currency": "USD", "channel": "dealer"}


@st.composite
def tables(draw: st.DrawFn) -> bytes:
    """A table with its header, good rows and bad ones, and now and then a line that is none."""
    columns = draw(st.lists(st.sampled_from(_COLUMNS), unique=True))
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["id", "maker", "model", *_SALE, *columns])
    for number in range(draw(st.integers(0, 5))):
        names = draw(st.sampled_from([*NAMES, ("Ostvik", "no such model")]))
        cells = [draw(st.sampled_from(_CELLS)) for _ in columns]
        writer.writerow([f"R{number}", *names, *_SALE.values(), *cells])
    return out.getvalue().encode() + draw(st.sampled_from([b"", b"\r\n", b"\xff,\n", b'"', b"a,b\n"]))


_VALUE = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
_ROW = st.fixed_dictionaries(
    {},
    optional={
        "id": st.just("A") | _VALUE,
        "date": st.just("2026-01-02") | _VALUE,
        "channel": st.just("dealer") | _VALUE,
        "instrument": st.just({"maker": "Ostvik", "model": "Dal"}) | _VALUE,
        "more": _VALUE,
    },
)


@st.composite
def lines(draw: st.DrawFn) -> bytes:
    """Objects by line, good and bad, and now and then a line that is none."""
    rows = draw(
        st.lists(
            _ROW.map(json.dumps) | st.sampled_from(["", "{", "[]", "nul", '{"id":1,"id":2}']), max_size=5
        )
    )
    return "\n".join(rows).encode() + draw(st.sampled_from([b"", b"\n", b"\n\xff"]))


@schemathesis.hook
def before_load_schema(context: Any, raw_schema: dict[str, Any]) -> None:
    """Rows are made here alone; those that the document shows are sent by another test (`test_openapi`)."""
    for item in raw_schema["paths"].values():
        for operation in item.values():
            if isinstance(operation, dict) and "requestBody" in operation:
                for form, content in operation["requestBody"]["content"].items():
                    if form != "application/json":
                        content.pop("example", None)


schemathesis.openapi.media_type("text/csv", tables())
schemathesis.openapi.media_type("application/x-ndjson", lines())

# ── what is checked beside ───────────────────────────────────────────────────

# What a schema allows can still be wrong, and only so: by the catalogue, the calendar and the rates, by what
# is kept already, and by what one member says of another.
BY_MEANING = {
    "duplicate",
    "no-earlier",
    "shown-once",
    "key-revoked",
    "model",
    "model-changed",
    "model-gone",
    "name",
    "other-body",
    "precondition",
    "record",
    "rows",
    "taken",
    "withdrawn",
}
FAULTS_BY_MEANING = (
    "cannot be an id",
    "holds no change",
    "is no closed sale",
    "is no name",
    "is no record in use",
    "is no reason",
    "is not a cost",
    "is of another model",
    "is not a label",
    "is not a price",
    "is not in the catalogue",
    "is not a day of the calendar",
    "has no exchange rate here",
    "is not a currency with a known rate",
    "cannot be converted",
    "is absurd for an instrument",
    "is not above 0",
    "is in the future",
    "holds a control character",
    "is not a usable reason",
    "is not the id of the path",
    "is empty",
    "is finer than",
    "is not for a secret key",
    "is not for a publishable key",
    "is no origin",
    "is no record in use",
    "is said beside evidence",
    "no exchange rate for",
    "stands there in both forms",
)
REFUSALS = (400, 404, 409, 410, 412, 422)


@schemathesis.check
def refused_for_its_meaning_alone(context: Any, response: Any, case: Any) -> None:
    """What the document allows is refused for nothing that it could have said."""
    if case.meta is None or not case.meta.generation.mode.is_positive or response.status_code not in REFUSALS:
        return
    problem = response.json()
    kind = problem["type"].rpartition("#problem-")[2]
    if kind == "path":  # an id of the caller's own can end as an address of ours does
        assert case.operation.path.startswith("/v1/evidence/")
    elif kind == "fields":
        odd = [one for one in problem["errors"] if not one["problem"].startswith(FAULTS_BY_MEANING)]
        assert not odd, f"refused: {odd}"
    else:
        assert kind in BY_MEANING, f"refused as {kind}: {problem['detail']}"
