"""Headers by which browsers treat every answer with caution, set in one place.

A view that needs another policy, or that caches may keep, says so itself: its own header stays.
"""

from __future__ import annotations

from flask import Response, request

from service.http.responses import HTML, SVG
from service.problems import CAUTIOUS

_POLICY = "Content-Security-Policy"
# A page of ours is text, pictures and its own style.
_PAGE = f"{CAUTIOUS[_POLICY]}; style-src 'unsafe-inline'; img-src data:"
_PAGES = (HTML, SVG)
_TLS_ONLY = ("Strict-Transport-Security", "max-age=31536000")  # a year


def add_headers(response: Response) -> Response:
    """Add the headers to the answer. No cache may keep an answer whose view says nothing of caches."""
    headers = response.headers
    said = {name for name, _ in headers}  # faster than to ask for each
    if response.status_code == 304:  # it leaves the policy of the kept answer
        said.add(_POLICY)
    for name, value in CAUTIOUS.items():
        if name not in said:
            headers.add(name, _PAGE if name == _POLICY and response.mimetype in _PAGES else value)
    if request.environ["wsgi.url_scheme"] == "https":
        headers.add(*_TLS_ONLY)
    return response
