"""The OpenAPI document is valid, says everything that the service does, and every answer is as it says."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from secrets import token_hex
from typing import Any

import pytest
from apps import caller_of, keys_of, parts
from asking import DAL, SHOWN_PARTS, Caller
from described import schema_of, undescribed, validator
from flask import Flask
from item_bodies import ITEM, put
from kept_items import PORTFOLIOS, keep_described
from mail_ground import failed_email
from openapi_spec_validator import validate
from owners import asked_of
from pictures import jpeg
from report_facts import SETTINGS
from reporting import reportable
from request_bodies import BODY, made, moved, patched

from service.api.parts.changes import EXAMPLES
from service.api.parts.parts import PARTS
from service.keys.kinds import SCOPES

MODEL = "/v1/catalogue/makers/Ostvik/models/Fjell 2"
KEPT = "/v1/valuations/{valuation_id}"
MODEL_OF = "/v1/price-models/{version}"
# Bodies that are not JSON, with their form.
LISTS = {"text/csv": "id,maker,model\nA,Ostvik,Dal\n", "application/x-ndjson": json.dumps({"id": "A", **DAL})}
SALE = {
    "kind": "sale",
    "date": "2025-06-01",
    "price": "1800.00",
    "currency": "USD",
    "channel": "dealer",
    "instrument": {"maker": "Ostvik", "model": "Dal"},
}
SALES = "id,kind,date,price,currency,channel,maker,model,colour\nA,sale,x,1,USD,dealer,Ostvik,Dal,red\n"
RECORD, STOCK_ITEM = "/v1/evidence/{evidence_id}", "/v1/items/{stock_number}"
PICTURES = "/v1/requests/{request_id}/photographs"
PICTURE = f"{PICTURES}/{{photograph_id}}"
ASKING = "/v1/requests/{request_id}"
REPORTS, REPORT = "/v1/requests/{request_id}/reports", "/v1/reports/{report_id}"
# Every operation with one request that it answers well.
ASKED = [
    ("post", "/v1/valuations", "/v1/valuations", DAL),
    ("post", "/v1/valuations", f"/v1/valuations?include={','.join(PARTS)}", DAL),
    *(("post", "/v1/stocklists", "/v1/stocklists", list_) for list_ in LISTS.items()),
    ("post", "/v1/intervals", "/v1/intervals", DAL),
    ("post", "/v1/attributions", "/v1/attributions", DAL),
    *(("get", f"{KEPT}/{name}", f"{KEPT}/{name}", None) for name in SHOWN_PARTS),
    ("get", KEPT, KEPT, None),
    ("post", f"{KEPT}/alternatives", f"{KEPT}/alternatives", EXAMPLES["WhatIf"]),
    ("post", f"{KEPT}/restoration", f"{KEPT}/restoration", EXAMPLES["Costs"]),
    ("post", "/v1/evidence", "/v1/evidence", {**SALE, "id": f"described {token_hex(4)}"}),
    ("post", "/v1/evidence", "/v1/evidence", ("text/csv", SALES)),
    ("post", "/v1/evidence", "/v1/evidence", ("application/x-ndjson", "{}\n")),
    ("get", "/v1/evidence", "/v1/evidence?limit=1", None),
    ("get", "/v1/evidence.csv", "/v1/evidence.csv", None),
    ("get", RECORD, RECORD, None),
    ("put", RECORD, RECORD, SALE),
    ("get", f"{RECORD}/history", f"{RECORD}/history", None),
    ("put", f"{RECORD}/confirmation", f"{RECORD}/confirmation", None),
    ("delete", RECORD, RECORD, None),
    ("put", STOCK_ITEM, STOCK_ITEM, ITEM),
    ("get", STOCK_ITEM, STOCK_ITEM, None),
    ("delete", STOCK_ITEM, STOCK_ITEM, None),
    ("post", "/v1/items", "/v1/items", ("application/x-ndjson", "{}\n")),
    ("get", "/v1/items", "/v1/items?limit=1", None),
    ("get", "/v1/items/changes", "/v1/items/changes?limit=1", None),
    ("get", "/v1/items.csv", "/v1/items.csv", None),
    ("get", "/v1/items.xlsx", "/v1/items.xlsx", None),
    ("put", f"{KEPT}/outcome", f"{KEPT}/outcome", {"date": "2026-01-02", "price": "900.00"}),
    ("put", f"{KEPT}/outcome/evidence", f"{KEPT}/outcome/evidence", {"evidence": "{sale}"}),
    ("get", f"{KEPT}/outcome", f"{KEPT}/outcome", None),
    ("delete", f"{KEPT}/outcome", f"{KEPT}/outcome", None),
    ("get", "/v1/performance", "/v1/performance", None),
    *PORTFOLIOS,
    ("post", PICTURES, f"{PICTURES}?view=front", ("image/jpeg", jpeg())),
    ("get", PICTURES, PICTURES, None),
    *(("get", f"{PICTURE}{end}", f"{PICTURE}{end}", None) for end in ("", ".jpg", "/thumbnail.jpg")),
    ("delete", PICTURE, PICTURE, None),
    ("get", "/v1/price-models", "/v1/price-models", None),
    ("get", "/v1/price-models/changes", "/v1/price-models/changes", None),
    ("get", MODEL_OF, "/v1/price-models/current", None),
    ("get", f"{MODEL_OF}/card", "/v1/price-models/current/card", None),
    ("get", f"{MODEL_OF}/card.html", "/v1/price-models/current/card.html", None),
    ("post", f"{MODEL_OF}/promote", f"{MODEL_OF}/promote", {"why": "it is good"}),
    ("post", "/v1/requests", "/v1/requests", BODY),
    ("get", "/v1/requests", "/v1/requests?limit=1", None),
    ("get", ASKING, ASKING, None),
    ("patch", ASKING, ASKING, {"state": "reviewing", "graded": BODY["instrument"], "in_hand": ["figure"]}),
    ("get", f"{ASKING}/questions", f"{ASKING}/questions", None),
    ("post", f"{ASKING}/answers", f"{ASKING}/answers", {"answers": {"serial": "1"}, "message": "hello"}),
    ("get", f"{ASKING}/valuation", f"{ASKING}/valuation", None),
    ("post", f"{ASKING}/notes", f"{ASKING}/notes", {"text": "call back"}),
    ("get", f"{ASKING}/notes", f"{ASKING}/notes", None),
    ("get", f"{ASKING}/history", f"{ASKING}/history", None),
    ("get", f"{ASKING}/contact", f"{ASKING}/contact", None),
    ("get", f"{ASKING}/export", f"{ASKING}/export", None),
    ("delete", f"{ASKING}/contact", f"{ASKING}/contact", None),
    ("get", "/v1/e-mails", "/v1/e-mails?limit=1", None),
    ("post", "/v1/e-mails/{email_id}/sending", "/v1/e-mails/{email_id}/sending", None),
    ("get", "/v1/keys", "/v1/keys", None),
    ("post", "/v1/keys", "/v1/keys", {"label": "another", "scopes": ["valuations"]}),
    ("get", "/v1/keys/{key_id}", "/v1/keys/{key_id}", None),
    ("post", "/v1/keys/{key_id}/rotate", "/v1/keys/{key_id}/rotate", {"overlap_hours": 1}),
    ("post", "/v1/keys/{key_id}/revoke", "/v1/keys/{key_id}/revoke", None),
    ("get", "/v1/audit", "/v1/audit?limit=1", None),
    ("get", "/v1/specialist", "/v1/specialist", None),
    ("put", "/v1/specialist", "/v1/specialist", SETTINGS),
    ("post", REPORTS, REPORTS, {"type_of_value": "fair_market_value"}),
    ("get", REPORTS, REPORTS, None),
    *(("get", f"{REPORT}{end}", f"{REPORT}{end}", None) for end in ("", ".html", ".pdf")),
    ("post", f"{REPORT}/verification", f"{REPORT}/verification", ("application/pdf", "no report")),
    ("get", "/v1/catalogue", "/v1/catalogue", None),
    ("get", "/v1/catalogue/makers", "/v1/catalogue/makers", None),
    ("get", "/v1/catalogue/makers/{maker}", "/v1/catalogue/makers/ostvik", None),
    ("get", "/v1/catalogue/makers/{maker}/models", "/v1/catalogue/makers/ostvik/models", None),
    ("get", "/v1/catalogue/makers/{maker}/models/{model}", MODEL, None),
    ("get", "/v1/catalogue/makers/{maker}/models/{model}/editions", f"{MODEL}/editions", None),
    ("get", "/v1/catalogue/makers/{maker}/models/{model}/finishes", f"{MODEL}/finishes", None),
    ("get", "/v1/catalogue/makers/{maker}/models/{model}/watchpoints", f"{MODEL}/watchpoints", None),
    ("get", "/v1/vocabulary", "/v1/vocabulary", None),
    ("get", "/healthz", "/healthz", None),
    ("get", "/readyz", "/readyz", None),
    ("get", "/metrics", "/metrics", None),
]


def item(caller: Caller) -> str:
    """The number of an item that is new."""
    number = f"described-{token_hex(4)}"
    assert put(caller, number).status_code == 201
    return number


def record(caller: Caller) -> str:
    """The id of a record that is new."""
    found = caller.post("/v1/evidence", {**SALE, "id": f"described-{token_hex(4)}"})
    assert found.status_code == 201
    return str(found.json["id"])


def of_request(app: Flask, path: str) -> str:
    """The path with the ids of a request and of a photograph that are new."""
    it = asked_of(app)
    made = it.owner.post(f"{it.photographs}?view=front", jpeg(), **{"Content-Type": "image/jpeg"})
    assert made.status_code == 201
    return path.replace("{request_id}", it.id).replace("{photograph_id}", made.json["id"])


@pytest.fixture(scope="module")
def document(shared_app: Flask) -> dict[str, Any]:
    found: dict[str, Any] = shared_app.test_client().get("/openapi.json").json
    return found


def test_it_is_valid_openapi_3_1(document: dict[str, Any]) -> None:
    assert document["openapi"] == "3.1.0"
    validate(document)


def test_it_has_every_route_of_the_service(document: dict[str, Any], shared_app: Flask) -> None:
    rules = {re.sub(r"<\w+:(\w+)>", r"{\1}", rule.rule) for rule in shared_app.url_map.iter_rules()}
    others = ("/docs", "/openapi.json", "/desk", "/form", "/follow", "/verify")
    assert set(document["paths"]) == {rule for rule in rules if not rule.startswith(others)}
    elsewhere = {f"{MODEL_OF}/rollback"}  # needs a store of its own: test_models_http.py
    assert {path for _, path, _, _ in ASKED} | elsewhere == set(document["paths"])


def operations(document: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    for path, item in document["paths"].items():
        for method in ("get", "post", "put", "patch", "delete"):
            if method in item:
                yield path, item[method]


def test_every_operation_is_described_and_lists_its_problems(document: dict[str, Any]) -> None:
    names = [operation["operationId"] for _, operation in operations(document)]
    assert len(set(names)) == len(names)
    for path, operation in operations(document):
        assert operation["summary"] and operation["tags"]
        keyed = path not in ("/healthz", "/readyz", f"{REPORT}/verification")
        scopes = operation.get("x-scopes", [])
        assert ("security" in operation) is bool(scopes) is keyed and set(scopes) <= set(SCOPES)
        wanted = {"500", *(("401", "403", "406", "429", "503") if keyed else ())}
        wanted |= {"400", "413", "415", "422"} if "requestBody" in operation else set()
        assert wanted <= set(operation["responses"]), path


def test_every_member_of_every_schema_is_described(document: dict[str, Any]) -> None:
    missing = [
        f"{name}.{member}"
        for name, schema in document["components"]["schemas"].items()
        for member, part in schema["properties"].items()
        if not part.get("description")
    ]
    assert not missing


@pytest.mark.parametrize(("method", "path", "asked", "body"), ASKED)
def test_every_answer_is_as_it_is_described(
    shared_app: Flask, document: dict[str, Any], method: str, path: str, asked: str, body: Any
) -> None:
    caller = caller_of(shared_app, *SCOPES)
    if path.startswith("/v1/keys"):
        asked = asked.replace("{key_id}", keys_of(shared_app).create("to be shown", ["valuations"])[0])
    if path.startswith("/v1/evidence"):  # two, so that there is more than one page
        asked = asked.replace("{evidence_id}", record(caller) and record(caller))
    if path.startswith("/v1/items"):  # two, so that there is more than one page
        asked = asked.replace("{stock_number}", [item(caller) for _ in range(2)][1])
    if path == REPORTS or path.startswith(REPORT):
        asked = reportable(caller, asked)
    elif "/photographs" in path:
        asked = of_request(shared_app, asked)
    elif path.startswith("/v1/requests"):  # two, so that there is more than one page
        adjustment = {"amount": "-120", "currency": "EUR", "reason": "the case is missing"}
        request = made(caller) and made(caller, asked={"amount": "900", "currency": "EUR"})
        moved(caller, request, "reviewing")
        patched(caller, request, adjustment=adjustment, state="waiting_for_owner", questions=["serial"])
        asked = asked.replace("{request_id}", request["id"])
    if path.startswith("/v1/e-mails"):  # two, so that there is more than one page
        asked = asked.replace(
            "{email_id}", str([failed_email(parts(shared_app).engine) for _ in range(2)][1])
        )
    keep_described(shared_app, path)
    asked = asked.replace("{version}", str(parts(shared_app).live.version))
    if "{" in asked:
        asked = asked.replace(
            "{valuation_id}", caller.value({"condition": {"electronics": "dead"}}).json["id"]
        )
    if path == f"{KEPT}/outcome" and method != "put":
        caller.ask("put", asked, {"date": "2026-01-02", "price": 900})
    if path == f"{KEPT}/outcome/evidence":
        body = {"evidence": record(caller)}
    form, text = body if isinstance(body, tuple) else ("application/json", body)
    found = caller.ask(method, asked, text, **{"Content-Type": form})
    assert found.status_code < 300, found.text
    described = document["paths"][path][method]["responses"][str(found.status_code)]
    assert found.get_data() and not found.close()  # type: ignore[func-returns-value]
    content = described["content"][found.mimetype]
    assert isinstance(body, tuple) or len(described["content"]) == 1
    for header in described.get("headers", {}):
        assert header in found.headers
    if found.mimetype != "application/json":
        return
    schema = content["schema"]
    validator(document, schema).validate(found.json)
    assert list(undescribed(found.json, schema, document)) == []


def test_the_check_for_undescribed_members_sees_one(document: dict[str, Any]) -> None:
    schema = {"$ref": "#/components/schemas/Ready"}
    body = {"status": "ready", "checks": {"model": {"ok": True, "more": 1}}}
    assert list(undescribed(body, schema, document)) == [".checks.model.more"]


def test_problems_are_as_they_are_described(caller: Caller, document: dict[str, Any]) -> None:
    problem = schema_of(document, "Problem")
    for found in (
        caller.post("/v1/valuations", {"instrument": {}}),
        caller.get("/v1/valuations/x"),
        caller.get("/x"),
    ):
        problem.validate(found.json)
        assert list(undescribed(found.json, {"$ref": "#/components/schemas/Problem"}, document)) == []


def test_the_example_of_a_body_is_answered(own_app: Flask) -> None:
    caller = caller_of(own_app, *SCOPES)
    document = caller.get("/openapi.json").json
    for method, path in (
        *(("post", f"/v1/{noun}") for noun in ("valuations", "intervals", "attributions", "evidence")),
        ("put", RECORD),
    ):
        content = document["paths"][path][method]["requestBody"]["content"]["application/json"]
        validator(document, content["schema"]).validate(content["example"])
        asked = path.replace("{evidence_id}", record(caller) if "{" in path else "")
        assert caller.ask(method, asked, content["example"]).status_code in (200, 201)


@pytest.mark.parametrize("form", ["text/csv", "application/x-ndjson"])
def test_the_example_of_a_file_is_taken_whole(own_app: Flask, form: str) -> None:
    caller = caller_of(own_app, "evidence")
    contents = caller.get("/openapi.json").json["paths"]["/v1/evidence"]["post"]["requestBody"]["content"]
    found = caller.post("/v1/evidence", contents[form]["example"], **{"Content-Type": form})
    assert (found.json["accepted"], found.json["rows"], found.json["ignored_columns"]) == (1, 1, [])
