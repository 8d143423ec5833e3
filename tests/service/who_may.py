"""The callers that may ask each operation, as contract and documents say: one row for each operation.

Written by hand from the contract's table of addresses and from `docs/` (scopes in `http-api.md`, the form in
`website.md`, evidence and outcomes in `evidence.md`, price models in `price-model.md`, figures in
`operations.md`), not from the decorators of the views.
"""

from __future__ import annotations

# Each scope that opens it. `website`: a website key from a page of its own; `owner`: the private link of a
# request; `anyone`: no key is needed.
OPERATIONS = """
GET     /healthz                                                 anyone
GET     /readyz                                                  anyone
GET     /metrics                                                 metrics
POST    /v1/valuations                                           valuations website
GET     /v1/valuations/{valuation_id}                            valuations website
GET     /v1/valuations/{valuation_id}/questions                  valuations website
GET     /v1/valuations/{valuation_id}/sentences                  valuations website
GET     /v1/valuations/{valuation_id}/waterfall.svg              valuations website
GET     /v1/valuations/{valuation_id}/comparables                valuations
GET     /v1/valuations/{valuation_id}/earlier-records            valuations
GET     /v1/valuations/{valuation_id}/intervals.svg              valuations
GET     /v1/valuations/{valuation_id}/price-index.svg            valuations
POST    /v1/valuations/{valuation_id}/alternatives               valuations
POST    /v1/valuations/{valuation_id}/restoration                valuations
POST    /v1/intervals                                            valuations
POST    /v1/attributions                                         valuations
POST    /v1/stocklists                                           valuations
GET     /v1/vocabulary                                           valuations evidence website
GET     /v1/catalogue                                            valuations evidence website
GET     /v1/catalogue/makers                                     valuations evidence website
GET     /v1/catalogue/makers/{maker}                             valuations evidence website
GET     /v1/catalogue/makers/{maker}/models                      valuations evidence website
GET     /v1/catalogue/makers/{maker}/models/{model}              valuations evidence website
GET     /v1/catalogue/makers/{maker}/models/{model}/editions     valuations evidence website
GET     /v1/catalogue/makers/{maker}/models/{model}/finishes     valuations evidence website
GET     /v1/catalogue/makers/{maker}/models/{model}/watchpoints  valuations evidence website
GET     /v1/catalogue/draft                                      requests admin
GET     /v1/catalogue/draft.toml                                 requests admin
GET     /v1/catalogue/draft/makers/{maker}/models/{model}        requests admin
PUT     /v1/catalogue/draft/makers/{maker}/models/{model}        requests admin
DELETE  /v1/catalogue/draft/makers/{maker}/models/{model}        requests admin
POST    /v1/evidence                                             evidence
GET     /v1/evidence                                             evidence
GET     /v1/evidence.csv                                         evidence
GET     /v1/evidence/{evidence_id}                               evidence
PUT     /v1/evidence/{evidence_id}                               evidence
DELETE  /v1/evidence/{evidence_id}                               evidence
PUT     /v1/evidence/{evidence_id}/confirmation                  evidence
GET     /v1/evidence/{evidence_id}/history                       evidence
GET     /v1/items                                                inventory
POST    /v1/items                                                inventory
GET     /v1/items.csv                                            inventory
GET     /v1/items.xlsx                                           inventory
GET     /v1/items/changes                                        inventory
GET     /v1/items/{stock_number}                                 inventory
PUT     /v1/items/{stock_number}                                 inventory
DELETE  /v1/items/{stock_number}                                 inventory
GET     /v1/valuations/{valuation_id}/outcome                    evidence
PUT     /v1/valuations/{valuation_id}/outcome                    evidence
DELETE  /v1/valuations/{valuation_id}/outcome                    evidence
PUT     /v1/valuations/{valuation_id}/outcome/evidence           evidence
POST    /v1/revaluations                                         inventory
GET     /v1/revaluations                                         inventory
GET     /v1/revaluations/{revaluation_id}                        inventory
GET     /v1/items/{stock_number}/history                         inventory
GET     /v1/performance                                          evidence
POST    /v1/offers                                               inventory
GET     /v1/offer-terms                                          inventory
GET     /v1/offer-terms/{terms_name}                             inventory
PUT     /v1/offer-terms/{terms_name}                             inventory
DELETE  /v1/offer-terms/{terms_name}                             inventory
POST    /v1/portfolios                                           inventory
POST    /v1/portfolios/picture.svg                               inventory
POST    /v1/requests/{request_id}/photographs                    requests website owner
GET     /v1/requests/{request_id}/photographs                    requests owner
GET     /v1/requests/{request_id}/photographs/{photograph_id}    requests owner
DELETE  /v1/requests/{request_id}/photographs/{photograph_id}    requests owner
GET     /v1/requests/{request_id}/photographs/{photograph_id}.jpg            requests owner
GET     /v1/requests/{request_id}/photographs/{photograph_id}/thumbnail.jpg  requests owner
POST    /v1/requests/{request_id}/reports                        requests
GET     /v1/requests/{request_id}/reports                        requests owner
GET     /v1/reports/{report_id}                                  requests owner
GET     /v1/reports/{report_id}.html                             requests owner
GET     /v1/reports/{report_id}.pdf                              requests owner
POST    /v1/reports/{report_id}/verification                     anyone
GET     /v1/specialist                                           requests
PUT     /v1/specialist                                           requests
GET     /v1/price-models                                         admin
GET     /v1/price-models/changes                                 admin
GET     /v1/price-models/{version}                               admin
GET     /v1/price-models/{version}/card                          admin
GET     /v1/price-models/{version}/card.html                     admin
POST    /v1/price-models/{version}/promote                       admin
POST    /v1/price-models/{version}/rollback                      admin
POST    /v1/requests                                             requests website
GET     /v1/requests                                             requests
GET     /v1/requests/{request_id}                                requests owner
PATCH   /v1/requests/{request_id}                                requests owner
GET     /v1/requests/{request_id}/questions                      requests website owner
POST    /v1/requests/{request_id}/answers                        requests website owner
GET     /v1/requests/{request_id}/valuation                      requests
GET     /v1/requests/{request_id}/notes                          requests
POST    /v1/requests/{request_id}/notes                          requests
GET     /v1/requests/{request_id}/history                        requests owner
GET     /v1/requests/{request_id}/contact                        requests
DELETE  /v1/requests/{request_id}/contact                        requests
GET     /v1/requests/{request_id}/export                         requests owner
GET     /v1/e-mails                                              requests
POST    /v1/e-mails/{email_id}/sending                           requests
GET     /v1/webhooks                                             inventory
POST    /v1/webhooks                                             inventory
GET     /v1/webhooks/{webhook_id}                                inventory
PATCH   /v1/webhooks/{webhook_id}                                inventory
DELETE  /v1/webhooks/{webhook_id}                                inventory
POST    /v1/webhooks/{webhook_id}/test                           inventory
POST    /v1/webhooks/{webhook_id}/rotate                         inventory
POST    /v1/webhooks/{webhook_id}/replay                         inventory
GET     /v1/webhooks/{webhook_id}/deliveries                     inventory
POST    /v1/webhooks/{webhook_id}/deliveries/{event_id}/sending  inventory
GET     /v1/keys                                                 admin
POST    /v1/keys                                                 admin
GET     /v1/keys/{key_id}                                        admin
POST    /v1/keys/{key_id}/rotate                                 admin
POST    /v1/keys/{key_id}/revoke                                 admin
GET     /v1/audit                                                admin
"""
SCOPES = ("valuations", "evidence", "inventory", "requests", "metrics", "admin")
# Callers that no operation lets in but those for anyone, and how they are refused.
STRANGERS = {"no key": 401, "garbage": 401, "revoked": 401, "expired": 401, "foreign": 403, "no origin": 403}
CALLERS = (*STRANGERS, *SCOPES, "all scopes", "website", "owner")
YES = "yes"


def operations() -> dict[str, set[str]]:
    """Every operation, `METHOD path`, and the words of who may ask it."""
    rows = [line.split() for line in OPERATIONS.strip().splitlines()]
    found = {f"{method} {path}": set(who) for method, path, *who in rows}
    assert len(found) == len(rows), "an operation has two rows"
    return found


def expected(who: set[str]) -> dict[str, str]:
    """Return the right answer to each caller of an operation: yes, or the status of the refusal."""
    if who == {"anyone"}:
        return dict.fromkeys(CALLERS, YES)
    opened = who | {"all scopes"}
    return {name: YES if name in opened else str(STRANGERS.get(name, 403)) for name in CALLERS}
