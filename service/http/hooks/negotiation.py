"""Content negotiation: the media type that the caller accepts, and the compression of its body."""

from __future__ import annotations

import re
from typing import Any

from flask import request
from werkzeug.datastructures import MIMEAccept
from werkzeug.wsgi import get_input_stream

from service.errors import EncodingError, NotAcceptableError
from service.http.hooks.compression import Inflated
from service.http.responses import CSV, HTML, JSON, NDJSON, PDF, SVG, XLSX

_RANGE = re.compile(r"(\*/\*|[\w!#$%&'+.^`|~-]+/(\*|[\w!#$%&'+.^`|~-]+))", re.ASCII)
_GZIP = ("gzip", "x-gzip")  # the second is the first by its old name (RFC 9110, section 8.4.1.3)


_FORMS = {".csv": CSV, ".xlsx": XLSX, ".svg": SVG, ".html": HTML, ".jpg": "image/jpeg", ".pdf": PDF}
_AS_SENT = ("/v1/stocklists",)  # paths that answer in the media type of the request's body


def form_of(path: str) -> str:
    """Return the media type of answers at this path: by the path's ending if it has one, else JSON."""
    if path in _AS_SENT and request.mimetype in (CSV, NDJSON):
        return request.mimetype
    return _FORMS.get(path[path.rfind(".") :], JSON)


def check_forms() -> None:
    """Check the header Accept, and unpack a compressed body. Raises NotAcceptableError, EncodingError."""
    environ = request.environ
    accept = environ.get("HTTP_ACCEPT")
    if accept and accept != "*/*" and request.path.startswith("/v1/"):
        # The route's pattern is used and not the path, because a record's id can end with .svg too.
        form = form_of(request.url_rule.rule if request.url_rule else request.path)
        if accept != form:
            _check_accept(form)
    coding = environ.get("HTTP_CONTENT_ENCODING")
    if coding:
        _inflate(environ, coding.strip().lower())


def _check_accept(form: str) -> None:
    if _quality(request.accept_mimetypes, form) == 0:
        raise NotAcceptableError(f"Request a format that this path offers: {form}.")


def _quality(accepted: MIMEAccept, form: str) -> float:
    """Return this media type's quality by the most specific range of Accept; ignore unreadable ranges."""
    ranges = [(value.partition(";")[0].strip().lower(), quality) for value, quality in accepted]
    ranges = [(value, quality) for value, quality in ranges if _RANGE.fullmatch(value)]
    for wanted in (form, form.partition("/")[0] + "/*", "*/*"):
        found = [quality for value, quality in ranges if value == wanted]
        if found:
            return max(found)
    return 0.0 if ranges else 1.0


def _inflate(environ: dict[str, Any], coding: str) -> None:
    if coding == "identity":
        return
    if coding not in _GZIP:
        raise EncodingError("The body can be compressed with gzip, or not at all.")
    environ["wsgi.input"] = Inflated(get_input_stream(environ, safe_fallback=False))
    # From here on the limit on a body's size counts unpacked bytes.
    environ["wsgi.input_terminated"] = True
    environ.pop("CONTENT_LENGTH", None)
