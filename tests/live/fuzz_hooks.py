"""Tell schemathesis what the document cannot: names and ids that exist, rows, and rules beyond a schema.

Loaded by schemathesis itself (SCHEMATHESIS_HOOKS). FUZZ_KNOWN: ids that exist, by the name of their place.
FUZZ_COUNTS: where to write how many cases each operation was asked, by status, when all is done.
"""

from __future__ import annotations

import atexit
import json
import os
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from datetime import date
from itertools import count
from pathlib import Path
from typing import Any

import fuzz_rows
import httpx
import schemathesis
from fuzz_rows import NAMES, SALE
from hypothesis import strategies as st
from pictures import JPEG, PNG, WEBP, jpeg, png, webp
from schemathesis.core.failures import AcceptedNegativeData
from schemathesis.openapi.checks import UseAfterFree

from models.domain.names import normal
from models.domain.vocabulary import PLACEHOLDERS
from service.http.responses import XLSX

KNOWN: dict[str, list[str]] = json.loads(os.environ.get("FUZZ_KNOWN", "{}"))
OWN_KEY = os.environ.get("FUZZ_OWN_KEY")

# ── what is generated ────────────────────────────────────────────────────────


def _is_day(value: Any) -> bool:
    try:
        return isinstance(value, str) and 1900 <= date.fromisoformat(value).year <= 2100
    except ValueError:
        return False


def _is_currency(value: Any) -> bool:
    return isinstance(value, str) and re.fullmatch("[A-Za-z]{3}", value) is not None


def _is_amount(value: Any) -> bool:
    if isinstance(value, str):
        return re.fullmatch(r"[+-]?\d+\.?\d*([eE][+-]?\d{1,2})?", value, re.ASCII) is not None
    return isinstance(value, int | float) and not isinstance(value, bool) and 0.01 <= value <= 1e12


def _is_name(value: Any) -> bool:
    return isinstance(value, str) and 0 < len(value) <= 200


# Much of what a schema allows is wrong by the rates or by what is kept: no currency known here, no record.
# In three bodies of four it gives way to what is usable, so that what comes after such refusals is asked too.
USABLE: dict[str, tuple[Callable[[Any], bool], Sequence[Any]]] = {
    "date": (_is_day, ["2020-02-29", "2024-06-01", "2025-12-31"]),
    "currency": (_is_currency, ["USD", "EUR", "JPY", "kwd"]),
    "price": (_is_amount, ["900", 2500, "12e2"]),
    "email": (_is_name, ["name@example.org"]),
    "evidence": (_is_name, KNOWN.get("evidence_id", [])),
}


def usable(body: Any, rarely: bool) -> Any:
    """The body with a maker and model of the catalogue wherever both are text: else all would be refused.

    `rarely`: other members stay as they were drawn.
    """
    if isinstance(body, list):
        return [usable(one, rarely) for one in body]
    if isinstance(body, str) and normal(body) in PLACEHOLDERS:
        return "no such word"  # read as not known in every spelling, which a schema cannot say
    if not isinstance(body, dict):
        return body
    body = {name: usable(value, rarely) for name, value in body.items()}
    maker, model = body.get("maker"), body.get("model")
    if _is_name(maker) and _is_name(model):
        body["maker"], body["model"] = NAMES[len(maker + model) % len(NAMES)]
    for name, (allowed, choices) in USABLE.items():
        if not rarely and choices and allowed(body.get(name)):
            body[name] = choices[len(str(body)) % len(choices)]
    return body


@schemathesis.hook
def map_body(context: Any, body: Any) -> Any:
    return usable(body, rarely=len(json.dumps(body, default=str)) % 4 == 0)


@schemathesis.hook
def map_path_parameters(context: Any, path_parameters: dict[str, Any] | None) -> dict[str, Any] | None:
    """Give half of the requests an id that exists."""
    if not path_parameters:
        return path_parameters
    asked = {**path_parameters}
    if all(isinstance(value, str) and len(value) % 2 for value in asked.values()):
        drawn = sum(map(ord, "".join(asked.values())))
        asked |= {name: KNOWN[name][drawn % len(KNOWN[name])] for name in asked if name in KNOWN}
        if "maker" in asked:
            names = dict(zip(("maker", "model"), NAMES[drawn % len(NAMES)], strict=True))
            asked |= {name: value for name, value in names.items() if name in asked}
    return asked


@schemathesis.hook
def map_case(context: Any, case: Any) -> Any:
    """A record is corrected and an item put under its own id, which the body can name too."""
    asked = case.path_parameters or {}
    if "evidence_id" in asked and isinstance(case.body, dict) and isinstance(case.body.get("id"), str):
        case.body["id"] = asked["evidence_id"]
    if "stock_number" in asked and isinstance(case.body, dict) and "stock_number" in case.body:
        case.body["stock_number"] = asked["stock_number"]
    return case


# ── what is there before a case is sent ──────────────────────────────────────

SOLD = {"date": "2025-03-04", "price": "900"}
_NUMBERS = count()


@schemathesis.hook
def before_call(context: Any, case: Any, kwargs: Any) -> None:
    """Make sure that a record to be deleted exists, and that no key is revoked that the run needs."""
    if case.meta is not None and case.meta.phase.name.value == "coverage":
        _make_usable(case)
    asked, place = case.path_parameters or {}, (case.method, case.operation.path)
    if place == ("POST", "/v1/keys/{key_id}/revoke") and asked["key_id"] in (OWN_KEY, *KNOWN["key_id"]):
        asked["key_id"] = KNOWN["key_id"][0]
    if place == ("POST", "/v1/keys/{key_id}/rotate") and asked["key_id"] == OWN_KEY:
        asked["key_id"] = KNOWN["key_id"][1]
    if place == ("DELETE", "/v1/valuations/{valuation_id}/outcome"):
        # A valuation that was just made has none, which schemathesis takes for a valuation that is lost.
        _put(f"/v1/valuations/{asked['valuation_id']}/outcome", SOLD)
    if place == ("DELETE", "/v1/evidence/{evidence_id}") and asked["evidence_id"] in KNOWN["evidence_id"]:
        it = dict(zip(("maker", "model"), NAMES[1], strict=True))
        _put(f"/v1/evidence/{asked['evidence_id']}", {**SALE, "instrument": it})
    if place == ("DELETE", "/v1/items/{stock_number}") and asked["stock_number"] in KNOWN["stock_number"]:
        it = dict(zip(("maker", "model"), NAMES[1], strict=True))
        _put(f"/v1/items/{asked['stock_number']}", {"instrument": it})


def _make_usable(case: Any) -> None:
    """Change the body as `map_body` does, and give each body an Idempotency-Key of its own.

    Assigning to a case makes schemathesis judge it again: a case that is wrong on purpose is left alone.
    """
    body = usable(case.body, rarely=False)
    if body != case.body:
        case.body = body
    wrong = {place.name for place, part in case.meta.components.items() if part.mode.is_negative}
    if "Idempotency-Key" in (case.headers or {}) and "HEADER" not in wrong:
        case.headers["Idempotency-Key"] = f"of the coverage {next(_NUMBERS)}"


def _put(path: str, body: dict[str, Any]) -> None:
    httpx.put(
        os.environ["FUZZ_URL"] + path,
        json=body,
        headers={"Authorization": f"Bearer {os.environ['FUZZ_KEY']}"},
    )


# ── rows ─────────────────────────────────────────────────────────────────────


@schemathesis.hook
def before_load_schema(context: Any, raw_schema: dict[str, Any]) -> None:
    """Rows are made here alone; those that the document shows are sent by another test (`test_openapi`)."""
    for item in raw_schema["paths"].values():
        for operation in item.values():
            if isinstance(operation, dict) and "requestBody" in operation:
                for form, content in operation["requestBody"]["content"].items():
                    if form != "application/json":
                        content.pop("example", None)


schemathesis.openapi.media_type("text/csv", fuzz_rows.tables())
schemathesis.openapi.media_type("application/x-ndjson", fuzz_rows.lines())
for form, picture in ((JPEG, jpeg()), (PNG, png()), (WEBP, webp())):
    schemathesis.openapi.media_type(form, st.just(picture))
schemathesis.openapi.media_type(XLSX, st.just(fuzz_rows.WORKBOOK))

# ── what is checked beside ───────────────────────────────────────────────────

# What a schema allows can still be wrong, and only so: by the catalogue, the calendar and the rates, by what
# is kept already, and by what one member says of another.
BY_MEANING = {
    "duplicate",
    "e-mail-state",
    "erased",
    "gate",
    "item-deleted",
    "no-earlier",
    "shown-once",
    "key-revoked",
    "model",
    "model-changed",
    "name",
    "other-body",
    "overtaken",
    "photographs-full",
    "precondition",
    "record",
    "request-state",
    "rows",
    "withdrawn",
}
FAULTS_BY_MEANING = (
    "holds no change",
    "is no closed sale",
    "is no record in use",
    "is not a cost",
    "is of another model",
    "is not a price",
    "is not in the catalogue",
    "has no exchange rate here",
    "is not a currency with a known rate",
    "is absurd for an instrument",
    "is not above 0",
    "is in the future",
    "is for files",
    "holds a control character",
    "is not a usable reason",
    "is not the id of the path",
    "is not the request's newest report",
    "is empty",
    "is finer than",
    "is not for a system key",
    "is not for a website key",
    "is no origin",
    "stands beside a filter",
    "no exchange rate for",
    "stands there in both forms",
    "is not an e-mail address",
    "is not a currency with a rate today",
    "names not exactly one",
    "is not for per_cent",
    "goes with a move to",
    "is no day or moment",
    "is not such a",
    "is no such name of a member",
    "cannot be ",
    "is ahead of this feed",
    "is not a day",
    "is required",
)
REFUSALS = (400, 404, 409, 410, 412, 422)
COUNTS: defaultdict[str, Counter[str]] = defaultdict(Counter)


@atexit.register
def _write_counts() -> None:
    Path(os.environ.get("FUZZ_COUNTS", os.devnull)).write_text(json.dumps(COUNTS))


@schemathesis.check
def counted(context: Any, response: Any, case: Any) -> None:
    """Nothing is wrong with a case that is counted."""
    if case.meta is not None and case.meta.phase.name.value == "fuzzing":
        COUNTS[case.operation.label][str(response.status_code)] += 1


@schemathesis.check
def refused_for_its_meaning_alone(context: Any, response: Any, case: Any) -> None:
    """Check that a request that the document allows is refused only for what no schema can state."""
    if case.meta is None or not case.meta.generation.mode.is_positive or response.status_code not in REFUSALS:
        return
    problem = response.json()
    kind = problem["type"].rpartition("#problem-")[2]
    if kind == "path":  # an id of the caller's own can end as an address of ours does
        assert case.operation.path.startswith(("/v1/evidence/", "/v1/items/"))
    elif kind == "fields":
        odd = [one for one in problem["errors"] if not one["problem"].startswith(FAULTS_BY_MEANING)]
        assert not odd, f"refused: {odd}"
    else:
        assert kind in BY_MEANING, f"refused as {kind}: {problem['detail']}"


@schemathesis.hook
def filter_failure(context: Any, failure: Any, case: Any, response: Any) -> bool:
    """None is dropped but two; and a run of an hour says what it found as soon as it finds it.

    The history of a record can be read after the record was withdrawn, and whatever bytes are sent to be
    verified are the report or not.
    """
    path = case.operation.path
    if isinstance(failure, UseAfterFree) and path.endswith("/history"):
        return False
    if isinstance(failure, AcceptedNegativeData) and path.endswith("/verification"):
        return False
    print(f"{case.operation.label}: {failure.title}: {failure.message}", flush=True)
    return True
