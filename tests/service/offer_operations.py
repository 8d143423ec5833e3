"""Requests of the operations on offers and kept terms that are answered well."""

from __future__ import annotations

from secrets import token_hex

from asking import DAL, Caller

from service.docs.examples import BODIES

_KEPT = "/v1/offer-terms/{terms_name}"
OFFERS = [
    ("post", "/v1/offers", "/v1/offers", {**BODIES["OfferRequest"], **DAL}),
    ("put", _KEPT, _KEPT, BODIES["KeptTermsRequest"]),
    ("get", "/v1/offer-terms", "/v1/offer-terms?limit=1", None),
    ("get", _KEPT, _KEPT, None),
    ("delete", _KEPT, _KEPT, None),
]


def of_terms(caller: Caller, method: str, path: str) -> str:
    """The path with a name of kept terms; two are kept, so that there is more than one page."""
    if not path.startswith("/v1/offer-terms"):
        return path
    for name in ("retail", "trade"):
        caller.ask("put", f"/v1/offer-terms/{name}", BODIES["KeptTermsRequest"])
    return path.replace("{terms_name}", f"new {token_hex(4)}" if method == "put" else "trade")
