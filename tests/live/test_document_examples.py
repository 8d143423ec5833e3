"""The answers that the OpenAPI document shows are what the service says on the demo market.

They are compared as those of the documents are; `make examples` writes them anew.
"""

from __future__ import annotations

import csv
import json
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from likeness import between
from running import Running

from service.api.parts.changes import EXAMPLES
from service.docs.examples import BODIES, FILE, shortened
from service.keys.kinds import SCOPES

ASKED = json.loads((Path(__file__).parents[2] / "examples" / "request.json").read_text())
IT = ASKED["instrument"]
SALE = {"id": "S-1", "kind": "sale", "date": "2026-01-15", "price": "3100.00", "currency": "USD"}
SALE |= {"channel": "private", "source": "said by the buyer", "instrument": IT}
TABLE = f"id,maker,model,condition_neck\nA1,{IT['maker']},{IT['model']},3\nA2,{IT['maker']},Sisterli,\n"
ROW = {"id": "A1", "instrument": IT, "date": ASKED["date"]}
LINES = json.dumps(ROW) + "\n" + json.dumps({"id": "A2"}) + "\n"
OUTCOME = {"date": "2026-07-15", "price": "3300.00"}
JSON, CSV, NDJSON = "application/json", "text/csv", "application/x-ndjson"
KEPT, MODEL = "/v1/valuations/{createValuation}", f"/v1/catalogue/makers/{IT['maker']}/models/{IT['model']}"
DRAFT = "/v1/catalogue/draft/makers/Ostvik/models/Fjell 2"
REQUEST, WEBHOOK = "/v1/requests/{createRequest}", "/v1/webhooks/{createWebhook}"
APPRAISAL = {"instrument": IT, "contact": {"name": "Ronja Eklund", "email": "ronja@example.org"}}
APPRAISAL |= {"purpose": "insurance", "message": "It was my aunt's.", "reference": "F-204", "consent": True}
GRADED = {**BODIES["RequestChange"], "state": "waiting_for_owner", "questions": ["serial"], "graded": IT}
ITEM = {"instrument": IT, "asking": {"amount": "9000.00", "currency": "USD"}, "extra": {"shelf": "B 7"}}
SHEET = (
    f"stock_number,maker,model,shelf\nG-015,{IT['maker']},{IT['model']},top\nG-016,{IT['maker']},Sisterli,\n"
)
Step = tuple[str, str, str, Any, dict[str, str]]

# Each answer that is shown: what shows it, and the request that it answers, in an order that works.
GOOD: list[Step] = [
    ("createValuation", "POST", "/v1/valuations?include=questions,sentences", ASKED, {}),
    ("showValuation", "GET", KEPT, None, {}),
    ("findIntervals", "POST", "/v1/intervals", ASKED, {}),
    ("findAttributions", "POST", "/v1/attributions", ASKED, {}),
    ("showComparables", "GET", f"{KEPT}/comparables", None, {}),
    ("showQuestions", "GET", f"{KEPT}/questions", None, {}),
    ("showEarlierRecords", "GET", f"{KEPT}/earlier-records", None, {}),
    ("showSentences", "GET", f"{KEPT}/sentences", None, {}),
    ("findAlternatives", "POST", f"{KEPT}/alternatives", EXAMPLES["WhatIf"], {}),
    ("findRestoration", "POST", f"{KEPT}/restoration", EXAMPLES["Costs"], {}),
    ("valueStocklist", "POST", "/v1/stocklists?levels=0.8&date=2026-06-30", TABLE, {"Content-Type": CSV}),
    ("valueStocklist", "POST", "/v1/stocklists?levels=0.8", LINES, {"Content-Type": NDJSON}),
    ("recordEvidence", "POST", "/v1/evidence", SALE, {}),
    ("recordOutcome", "PUT", f"{KEPT}/outcome", OUTCOME, {}),
    ("showOutcome", "GET", f"{KEPT}/outcome", None, {}),
    ("showPerformance", "GET", "/v1/performance", None, {}),
    ("removeOutcome", "DELETE", f"{KEPT}/outcome", None, {}),
    ("nameOutcome", "PUT", f"{KEPT}/outcome/evidence", {"evidence": "S-1"}, {}),
    (
        "makeOffer",
        "POST",
        "/v1/offers",
        {**BODIES["OfferRequest"], "date": ASKED["date"], "instrument": IT},
        {},
    ),
    ("keepOfferTerms", "PUT", "/v1/offer-terms/retail", BODIES["KeptTermsRequest"], {}),
    ("listOfferTerms", "GET", "/v1/offer-terms", None, {}),
    ("showOfferTerms", "GET", "/v1/offer-terms/retail", None, {}),
    ("removeOfferTerms", "DELETE", "/v1/offer-terms/retail", None, {}),
    ("listEvidence", "GET", "/v1/evidence?kind=sale", None, {}),
    ("showEvidence", "GET", "/v1/evidence/S-1", None, {}),
    ("correctEvidence", "PUT", "/v1/evidence/S-1?reason=misread", {**SALE, "price": "315.00"}, {}),
    ("confirmEvidence", "PUT", "/v1/evidence/S-1/confirmation?reason=among+friends", None, {}),
    ("exportEvidence", "GET", "/v1/evidence.csv", None, {}),
    ("showEvidenceHistory", "GET", "/v1/evidence/S-1/history", None, {}),
    ("withdrawEvidence", "DELETE", "/v1/evidence/S-1?reason=doubtful", None, {}),
    ("createRequest", "POST", "/v1/requests?value=false", APPRAISAL, {}),
    ("changeRequest", "PATCH", REQUEST, {"state": "reviewing"}, {}),
    ("changeRequest", "PATCH", REQUEST, GRADED, {}),
    ("listRequests", "GET", "/v1/requests?state=waiting_for_owner", None, {}),
    ("listRequestQuestions", "GET", f"{REQUEST}/questions", None, {}),
    ("answerQuestions", "POST", f"{REQUEST}/answers", {"answers": {"serial": "M 20417"}}, {}),
    ("showRequestValuation", "GET", f"{REQUEST}/valuation?date=2026-06-30", None, {}),
    ("writeNote", "POST", f"{REQUEST}/notes", BODIES["NewNote"], {}),
    ("listNotes", "GET", f"{REQUEST}/notes", None, {}),
    ("showRequest", "GET", REQUEST, None, {}),
    ("showRequestHistory", "GET", f"{REQUEST}/history", None, {}),
    ("showContact", "GET", f"{REQUEST}/contact", None, {}),
    ("exportRequest", "GET", f"{REQUEST}/export", None, {}),
    ("eraseContact", "DELETE", f"{REQUEST}/contact", None, {}),
    ("putItem", "PUT", "/v1/items/G-014", ITEM, {}),
    ("putItem", "PUT", "/v1/items/G-014", {**ITEM, "status": "reserved"}, {}),
    ("putItems", "POST", "/v1/items", SHEET, {"Content-Type": CSV}),
    ("listItems", "GET", "/v1/items?over_priced=10", None, {}),
    ("exportItems", "GET", "/v1/items.csv", None, {}),
    ("showItem", "GET", "/v1/items/G-014", None, {}),
    (
        "valuePortfolio",
        "POST",
        "/v1/portfolios",
        {"stock_numbers": ["G-014", "G-099"], "date": ASKED["date"], "levels": [0.5, 0.9]},
        {},
    ),
    ("deleteItem", "DELETE", "/v1/items/G-014", None, {}),
    ("listItemChanges", "GET", "/v1/items/changes", None, {}),
    ("createWebhook", "POST", "/v1/webhooks", BODIES["NewWebhook"], {}),
    ("listWebhooks", "GET", "/v1/webhooks", None, {}),
    ("changeWebhook", "PATCH", WEBHOOK, BODIES["WebhookChange"], {}),
    ("showWebhook", "GET", WEBHOOK, None, {}),
    ("rotateWebhookSecret", "POST", f"{WEBHOOK}/rotate", BODIES["Rotation"], {}),
    ("replayWebhook", "POST", f"{WEBHOOK}/replay", BODIES["ReplayRequest"], {}),
    ("listWebhookDeliveries", "GET", f"{WEBHOOK}/deliveries", None, {}),
    ("deleteWebhook", "DELETE", WEBHOOK, None, {}),
    ("showCatalogue", "GET", "/v1/catalogue", None, {}),
    ("listMakers", "GET", "/v1/catalogue/makers", None, {}),
    ("showMaker", "GET", f"/v1/catalogue/makers/{IT['maker']}", None, {}),
    ("listModels", "GET", f"/v1/catalogue/makers/{IT['maker']}/models", None, {}),
    ("showModel", "GET", MODEL, None, {}),
    ("listEditions", "GET", f"{MODEL}/editions", None, {}),
    ("listFinishes", "GET", f"{MODEL}/finishes", None, {}),
    ("listWatchpoints", "GET", f"{MODEL}/watchpoints", None, {}),
    ("changeDraftModel", "PUT", DRAFT, BODIES["DraftEntry"], {}),
    ("showDraftModel", "GET", DRAFT, None, {}),
    ("showDraft", "GET", "/v1/catalogue/draft", None, {}),
    ("removeDraftModel", "DELETE", DRAFT, None, {}),
    ("showVocabulary", "GET", "/v1/vocabulary", None, {}),
    ("showHealth", "GET", "/healthz", None, {}),
]
BAD: list[Step] = [
    ("problems", "POST", "/v1/intervals", "{", {}),
    ("problems", "GET", "/v1/vocabulary", None, {"Authorization": ""}),
    ("problems", "GET", "/v1/catalogue/makers/Nobody", None, {}),
    ("problems", "GET", "/v1/vocabulary", None, {"Accept": "image/png"}),
    ("problems", "POST", "/v1/evidence", SALE, {}),
    ("problems", "PUT", "/v1/evidence/S-1", SALE, {"If-Match": '"other"'}),
    ("problems", "POST", "/v1/intervals", "x" * 300_000, {}),
    ("problems", "POST", "/v1/intervals", "a", {"Content-Type": "text/plain"}),
    ("problems", "POST", "/v1/intervals", {"instrument": {**IT, "model": "Sisterli"}, "channel": "moon"}, {}),
]
# What differs from one run to the next.
VOLATILE = {"at", "by", "changed", "confirmed", "created", "id", "instance", "key"}
VOLATILE |= {"expires", "made_by", "secret"}
VOLATILE |= {"actor", "erased", "exported", "follow", "given", "key_id"}
VOLATILE |= {"deleted", "price_model", "rate_day", "valued_on"}
VOLATILE |= {"evidence", "model_version", "recorded", "request_id", "valuation", "withdrawn"}
ID = re.compile(r"\b[a-z]{3}_[0-9a-v]{26}\b")  # in the middle of a text
PHRASES = {
    "400": "BAD_REQUEST",
    "401": "UNAUTHORIZED",
    "404": "NOT_FOUND",
    "406": "NOT_ACCEPTABLE",
    "409": "CONFLICT",
    "412": "PRECONDITION_FAILED",
    "413": "REQUEST_ENTITY_TOO_LARGE",
    "415": "UNSUPPORTED_MEDIA_TYPE",
    "422": "UNPROCESSABLE_ENTITY",
}


@pytest.fixture(scope="module")
def said(demo_store: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Ask every request and return the answers in the form in which they are kept."""
    found: dict[str, Any] = {}
    with Running(tmp_path_factory.mktemp("document"), demo_store, fake=False) as service:
        scopes = (word for name in SCOPES for word in ("--scope", name))
        key = service.call("keys", "create", "examples", *scopes).strip()
        headers = {"Authorization": f"Bearer {key}", "Content-Type": JSON}
        with httpx.Client(base_url=service.url, headers=headers, timeout=60) as http:
            for name, status, form, value in answers(http):
                found.setdefault(name, {}).setdefault(status, {})[form] = value
    if os.environ.get("EXAMPLES") == "write":
        FILE.write_text(json.dumps(found, indent=1, ensure_ascii=False) + "\n")
    return found


def answers(http: httpx.Client) -> Iterator[tuple[str, str, str, Any]]:
    ids: dict[str, str] = {}  # the name of an operation that creates → the id that it made
    for name, method, path, body, headers in [*GOOD, *BAD]:
        content = body if isinstance(body, str) or body is None else json.dumps(body)
        asked = path.format(**ids)
        found = http.request(method, asked, content=content, headers=headers)
        form = found.headers["Content-Type"].partition(";")[0]
        assert found.is_success == (name != "problems"), found.text
        value = found.json() if "json" in form and form != NDJSON else found.text
        if name.startswith("create"):
            ids[name] = value["id"]
        status = PHRASES[str(found.status_code)] if name == "problems" else str(found.status_code)
        yield name, status, form, shortened(value)


def masked(value: Any) -> Any:
    """The value without what differs from one run to the next."""
    if isinstance(value, dict):
        return {n: "…" if n in VOLATILE and isinstance(m, str) else masked(m) for n, m in value.items()}
    if isinstance(value, list):
        return [masked(one) for one in value]
    if isinstance(value, str) and value.startswith("{") and "\n" in value:
        return [masked(json.loads(one)) for one in value.splitlines()]
    if isinstance(value, str) and "\n" in value:
        return [masked(row) for row in csv.DictReader(value.splitlines())]
    return ID.sub("…", value) if isinstance(value, str) else value


@pytest.mark.parametrize("name", sorted({name for name, *_ in [*GOOD, *BAD]}))
def test_the_service_answers_what_the_document_shows(said: dict[str, Any], name: str) -> None:
    kept = json.loads(FILE.read_text())
    assert set(kept) == set(said)
    one, other = (masked(answer[name]) for answer in (kept, said))
    assert list(between(one, other, name)) == []


def test_no_example_is_kept_that_is_not_asked_for() -> None:
    kept = json.loads(FILE.read_text())
    assert set(kept) == {name for name, *_ in GOOD} | {"problems"}
    assert set(kept["problems"]) == set(PHRASES.values())
