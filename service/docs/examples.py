"""Answers that the document shows: what the service said on the demo market, lists cut to a few entries.

`examples.json` is written by `make examples` and held to a running service by the tests; nobody edits it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import orjson

OFFER_TERMS = {
    "selling_fee_rate": "0.06",
    "payment_fee_rate": "0.03",
    "shipping": "120.00",
    "work": "80.00",
    "tax_rate": "0.1",
    "months_to_sell": "6",
    "cost_of_money_rate": "0.08",
    "wanted_margin_rate": "0.2",
    "accepted_risk_of_loss": "0.2",
}
# Bodies that stand for themselves, by the name of their schema.
BODIES = {
    "ItemWorkbook": "the bytes of the workbook",
    "KeyRequest": {"label": "the form", "kind": "website", "origins": ["https://www.example.org"]},
    "NewWebhook": {"url": "https://shop.example.org/hooks/stock", "changes": ["valued", "deleted"]},
    "WebhookChange": {"changes": ["valued"]},
    "ReplayRequest": {"since": "2026-03-01T00:00:00Z"},
    "OutcomeRequest": {"date": "2026-02-03", "price": "1850.00"},
    "Photograph": "the bytes of the picture",
    "ReportFile": "the bytes of the report",
    "RevaluationRequest": {"filter": {"status": ["in_stock"], "maker": "Ostvik"}},
    "OutcomeEvidence": {"evidence": "2026-014"},
    "DraftEntry": {
        "first_year": 1958,
        "last_year": 1969,
        "body": "solid",
        "finish": [{"name": "Tarn", "share": 0.4}],
        "edition": [{"name": "Solverv", "first_year": 1965, "production_total": 120, "numbered": True}],
        "watchpoint": [{"part": "neck", "note": "A repaired break below the nut."}],
    },
    "Rotation": {"overlap_hours": 48},
    "Promotion": {"why": "nearer to the sales of last month"},
    "RequestChange": {
        "state": "reviewing",
        "adjustment": {"per_cent": "-5", "reason": "the case has lost its handle"},
        "in_hand": ["condition.frets"],
    },
    "Answers": {"answers": {"condition.neck": 2, "provenance": {"case": "original"}}},
    "NewNote": {"text": "Ask for the receipt again."},
    "ReportRequest": {"type_of_value": "retail_replacement", "intended_use": "Insurance of the instrument."},
    "SpecialistSettings": {"name": "Ada Holm", "signature": "Ada Holm", "currency": "USD"},
    "OfferRequest": {
        "instrument": {"maker": "Ondleby and Daughters", "model": "Sisterly"},
        "terms": OFFER_TERMS,
        "currency": "USD",
        "asked": {"amount": "2900.00", "currency": "USD"},
    },
    "KeptTermsRequest": {"currency": "USD", "terms": OFFER_TERMS},
    "PortfolioRequest": {"filter": {"status": ["in_stock"]}, "currency": "EUR", "levels": [0.5, 0.9]},
    "Reason": {"why": "its ranges were too narrow"},
}
FILE = Path(__file__).with_name("examples.json")
SHOWN = 2  # entries of a list
_SUMMARY = f"on the demo market; of long lists the first {SHOWN}"


def shortened(value: Any) -> Any:
    """The value with every list cut to its first entries."""
    if isinstance(value, dict):
        return {name: shortened(member) for name, member in value.items()}
    return [shortened(one) for one in value[:SHOWN]] if isinstance(value, list) else value


def show(document: dict[str, Any]) -> None:
    """Put each answer beside the description of it: `{operation or problem: {status: {form: value}}}`."""
    kept: dict[str, Any] = orjson.loads(FILE.read_bytes()) if FILE.exists() else {}
    for item in document["paths"].values():
        for operation in item.values():
            if isinstance(operation, dict) and "operationId" in operation:
                _show(operation["responses"], kept.get(operation["operationId"], {}))
    _show(document["components"]["responses"], kept.get("problems", {}))


def _show(responses: dict[str, Any], kept: dict[str, Any]) -> None:
    for name, forms in kept.items():
        for form, value in forms.items():
            content = responses.get(name, {}).get("content", {})
            if form in content:
                content[form]["examples"] = {"demo": {"summary": _SUMMARY, "value": value}}
