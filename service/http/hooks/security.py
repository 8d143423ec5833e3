"""Headers by which browsers treat every answer with caution, set in one place.

A view that needs another policy, or that caches may keep, says so itself: its own header stays.
"""

from __future__ import annotations

from flask import Response, request

from service.http.responses import HTML, SVG

# Nothing may be loaded or run, and no page may hold the answer in a frame.
_NOTHING = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
# A page of ours is text, pictures and its own style.
_PAGE = f"{_NOTHING}; style-src 'unsafe-inline'; img-src data:"
_POLICY, _KEPT = "Content-Security-Policy", "Cache-Control"
_PAGES = (HTML, SVG)
_TLS_ONLY = ("Strict-Transport-Security", "max-age=31536000")  # a year


def add_headers(response: Response) -> Response:
    """Add the headers to the answer. No cache may keep an answer whose view says nothing of caches."""
    headers = response.headers
    said = {name for name, _ in headers}  # faster than to ask for each
    headers.add("X-Content-Type-Options", "nosniff")
    if "Referrer-Policy" not in said:
        headers.add("Referrer-Policy", "no-referrer")
    if _POLICY not in said and response.status_code != 304:  # a 304 leaves that of the kept answer
        headers.add(_POLICY, _PAGE if response.mimetype in _PAGES else _NOTHING)
    if _KEPT not in said:
        headers.add(_KEPT, "no-store")
    if request.environ["wsgi.url_scheme"] == "https":
        headers.add(*_TLS_ONLY)
    return response
