"""Every operation of the OpenAPI document: a request that it answers well, and what that request needs."""

from __future__ import annotations

import json
from secrets import token_hex

from apps import keys_of, parts
from asking import DAL, SHOWN_PARTS, Caller
from flask import Flask
from item_bodies import ITEM, put
from kept_items import PORTFOLIOS, keep_described
from mail_ground import failed_email
from offer_operations import OFFERS, of_terms
from owners import asked_of
from pictures import jpeg
from report_facts import SETTINGS
from reporting import reportable
from request_bodies import BODY, made, moved, patched
from webhook_asked import HOOKS, of_webhook
from webhook_ground import without_webhooks

from service.api.parts.changes import EXAMPLES
from service.api.parts.parts import PARTS

MODEL = "/v1/catalogue/makers/Ostvik/models/Fjell 2"
DRAFT = "/v1/catalogue/draft/makers/{maker}/models/{model}"
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
REVALUATION = "/v1/revaluations/{revaluation_id}"
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
    ("post", "/v1/revaluations", "/v1/revaluations", {"filter": {"status": ["in_stock"]}}),
    ("get", "/v1/revaluations", "/v1/revaluations?limit=1", None),
    ("get", REVALUATION, REVALUATION, None),
    ("get", f"{STOCK_ITEM}/history", f"{STOCK_ITEM}/history?limit=1", None),
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
    *HOOKS,
    *OFFERS,
    *PORTFOLIOS,
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
    ("get", "/v1/catalogue/draft", "/v1/catalogue/draft", None),
    ("get", "/v1/catalogue/draft.toml", "/v1/catalogue/draft.toml", None),
    ("put", DRAFT, "/v1/catalogue/draft/makers/Ostvik/models/Dal", {"first_year": 1960, "last_year": 1964}),
    ("get", DRAFT, "/v1/catalogue/draft/makers/Ostvik/models/Fjell 2", None),
    ("delete", DRAFT, "/v1/catalogue/draft/makers/Ostvik/models/Dal", None),
    ("get", "/v1/vocabulary", "/v1/vocabulary", None),
    ("get", "/healthz", "/healthz", None),
    ("get", "/readyz", "/readyz", None),
    ("get", "/metrics", "/metrics", None),
]


def record(caller: Caller) -> str:
    """The id of a record that is new."""
    found = caller.post("/v1/evidence", {**SALE, "id": f"described-{token_hex(4)}"})
    assert found.status_code == 201
    return str(found.json["id"])


def of_stock(caller: Caller, path: str) -> str:
    """The path with the ids of an item and a revaluation, of which there are two: more than one page."""
    numbers = [f"described-{token_hex(4)}" for _ in range(2)]
    # The channel of the second time gives the item another value.
    assert {
        put(caller, n, channel=where).status_code for n in numbers for where in ("dealer", "auction")
    } == {200, 201}
    begun = [caller.post("/v1/revaluations", {}).json["id"] for _ in range(2)][1]
    return path.replace("{stock_number}", numbers[1]).replace("{revaluation_id}", begun)


def of_request(app: Flask, path: str) -> str:
    """The path with the ids of a request and of a photograph that are new."""
    it = asked_of(app)
    made = it.owner.post(f"{it.photographs}?view=front", jpeg(), **{"Content-Type": "image/jpeg"})
    assert made.status_code == 201
    return path.replace("{request_id}", it.id).replace("{photograph_id}", made.json["id"])


def of_owner(app: Flask, caller: Caller, path: str, asked: str) -> str:
    """The path with the ids of a request, and of its report or photograph, which are new."""
    if path == REPORTS or path.startswith(REPORT):
        asked = reportable(caller, asked)
    elif "/photographs" in path:
        asked = of_request(app, asked)
    elif path.startswith("/v1/requests"):  # two, so that there is more than one page
        adjustment = {"amount": "-120", "currency": "EUR", "reason": "the case is missing"}
        request = made(caller) and made(caller, asked={"amount": "900", "currency": "EUR"})
        moved(caller, request, "reviewing")
        patched(caller, request, adjustment=adjustment, state="waiting_for_owner", questions=["serial"])
        asked = asked.replace("{request_id}", request["id"])
    return asked


def prepared(app: Flask, caller: Caller, method: str, path: str, asked: str) -> str:
    """Make what the operation needs to be there; return the path with its ids."""
    if path.startswith("/v1/keys"):
        asked = asked.replace("{key_id}", keys_of(app).create("to be shown", ["valuations"])[0])
    if path.startswith("/v1/evidence"):  # two, so that there is more than one page
        asked = asked.replace("{evidence_id}", record(caller) and record(caller))
    if path.startswith(("/v1/items", "/v1/revaluations")):
        asked = of_stock(caller, asked)
    asked = of_terms(caller, method, of_owner(app, caller, path, asked))
    if path.startswith("/v1/webhooks"):
        without_webhooks(parts(app).engine)
        asked = of_webhook(parts(app).engine, keys_of(app), asked)
    if path.startswith("/v1/e-mails"):  # two, so that there is more than one page
        asked = asked.replace("{email_id}", str([failed_email(parts(app).engine) for _ in range(2)][1]))
    keep_described(app, path)
    asked = asked.replace("{version}", str(parts(app).live.version))
    if "{" in asked:
        asked = asked.replace(
            "{valuation_id}", caller.value({"condition": {"electronics": "dead"}}).json["id"]
        )
    if path == f"{KEPT}/outcome" and method != "put":
        caller.ask("put", asked, {"date": "2026-01-02", "price": 900})
    return asked
