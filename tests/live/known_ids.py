"""Records of every kind in a running service, made over HTTP, for tests that ask operations by an id."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import httpx
from pictures import JPEG, jpeg
from report_facts import SETTINGS
from running import Running

from service.docs.examples import BODIES

SALE = {"kind": "sale", "date": "2025-01-02", "price": "900", "currency": "USD", "channel": "dealer"}
ASKING = {
    "contact": {"name": "Ronja Eklund", "email": "ronja@example.org"},
    "purpose": "sale",
    "consent": True,
}
HOOK = {"url": "https://shop.invalid/hooks"}  # a name that leads nowhere (RFC 2606)
KEY = {"label": "to be rotated or revoked", "scopes": ["metrics"]}
OF_EACH = 4  # ids that are known, so that no record gathers a history of thousands of changes


def known(served: Running, key: str, instruments: Sequence[dict[str, Any]]) -> dict[str, list[str]]:
    """Return ids that exist, by the name of their place in a path. `key`: it has every scope."""
    with httpx.Client(base_url=served.url, headers={"Authorization": f"Bearer {key}"}, timeout=60) as client:
        its = [*instruments] * OF_EACH
        made = [client.post("/v1/valuations", json={"instrument": it}).json() for it in its]
        keys = [client.post("/v1/keys", json=KEY).json() for _ in range(OF_EACH)]
        sales = [{**SALE, "id": f"E{n}", "instrument": it} for n, it in enumerate(its)]
        asking = [client.post("/v1/requests", json={**ASKING, "instrument": it}).json() for it in its]
        for sale in sales:
            assert client.post("/v1/evidence", json=sale).status_code == 201
        for n, it in enumerate(its):
            assert client.put(f"/v1/items/I{n}", json={"instrument": it}).status_code == 201
        revaluations = [client.post("/v1/revaluations", json={}).json()["id"] for _ in range(OF_EACH)]
        models = client.get("/v1/price-models").json()["models"]
        shots = [taken(client, one["id"]) for one in asking]
        reports = [issued(client, one["id"]) for one in asking[:OF_EACH]]
        hooks = [client.post("/v1/webhooks", json=HOOK).json()["id"] for _ in range(OF_EACH)]
        names = ["retail", "trade"]
        for name in names:
            kept = client.put(f"/v1/offer-terms/{name}", json=BODIES["KeptTermsRequest"])
            assert kept.status_code == 201
        mails = client.get("/v1/e-mails").json()["emails"]
    return {
        "email_id": [str(one["id"]) for one in mails],
        "report_id": reports,
        "webhook_id": hooks,
        "event_id": ["evt_" + "0" * 26],  # no item changes here
        "valuation_id": [one["id"] for one in made],
        "key_id": [one["id"] for one in keys],
        "terms_name": names,
        "request_id": [one["id"] for one in asking],
        "photograph_id": shots,
        "evidence_id": [str(one["id"]) for one in sales],
        "revaluation_id": revaluations,
        "stock_number": [f"I{n}" for n in range(len(its))],
        "version": [one["version"] for one in models],
    }


def taken(client: httpx.Client, request_id: str) -> str:
    """Return the id of a new photograph of this request."""
    path = f"/v1/requests/{request_id}/photographs?view=front"
    found = client.post(path, content=jpeg(), headers={"Content-Type": JPEG})
    assert found.status_code == 201
    return str(found.json()["id"])


def issued(client: httpx.Client, request_id: str) -> str:
    """Return the id of a new report on this request."""
    assert client.put("/v1/specialist", json=SETTINGS).status_code == 200
    assert client.patch(f"/v1/requests/{request_id}", json={"state": "reviewing"}).status_code == 200
    asked = {"type_of_value": "retail_replacement", "intended_use": "Insurance."}
    found = client.post(f"/v1/requests/{request_id}/reports", json=asked)
    assert found.status_code == 201, found.text
    return str(found.json()["id"])
