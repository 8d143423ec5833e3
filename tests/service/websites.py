"""A form on a website: where it stands, how it asks, and all that its key opens."""

from __future__ import annotations

from apps import keys_of
from asking import Caller
from flask import Flask

SITE, OTHER = "https://guitars.example", "https://elsewhere.example"
HERE = {"Origin": SITE}
ASKING = "/v1/requests/<string:request_id>"
# All that a form needs, and nothing else.
MODEL = "/v1/catalogue/makers/Ostvik/models/Dal"
KEPT = "/v1/valuations/<string:valuation_id>"
OPEN = {
    ("POST", "/v1/valuations"),
    *(("GET", KEPT + below) for below in ("", "/questions", "/sentences", "/waterfall.svg")),
    ("POST", "/v1/requests/<string:request_id>/photographs"),
    ("POST", "/v1/requests"),
    ("GET", f"{ASKING}/questions"),
    ("POST", f"{ASKING}/answers"),
    ("GET", "/v1/vocabulary"),
    ("GET", "/v1/catalogue"),
    ("GET", "/v1/catalogue/makers"),
    ("GET", "/v1/catalogue/makers/Ostvik"),
    ("GET", "/v1/catalogue/makers/Ostvik/models"),
    *(("GET", MODEL + below) for below in ("", "/editions", "/finishes", "/watchpoints")),
}


def form_of(app: Flask, origin: str = SITE) -> Caller:
    return Caller(app, keys_of(app).create("form", kind="website", origins=[origin])[1])
