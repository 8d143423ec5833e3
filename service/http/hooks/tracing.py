"""The ids of a request: its own id (X-Request-ID), and its span in a trace (W3C Trace Context).

A readable `traceparent` is continued under a new span. Without one, a new trace begins. `tracestate` is
ignored: it matters only to a service that calls others.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from typing import Any, NamedTuple

_ID = re.compile(r"[A-Za-z0-9._-]{1,64}", re.ASCII)
# Version ff and ids of zeros alone are forbidden; later versions may have further parts after a dash.
_PARENT = re.compile(r"(?!ff)([0-9a-f]{2})-(?!0{32})([0-9a-f]{32})-(?!0{16})([0-9a-f]{16})-[0-9a-f]{2}(-.*)?")


class Names(NamedTuple):
    """The ids of a request. `parent`: the id of the caller's span, None if it sent none."""

    request_id: str
    trace_id: str
    span_id: str
    parent: str | None


def names_of(environ: Mapping[str, Any]) -> Names:
    """Return the request's ids: those of its headers where they are usable, else new ones."""
    fresh = os.urandom(32).hex()  # random digits for all three ids
    given = environ.get("HTTP_X_REQUEST_ID")
    request_id = given if given and _ID.fullmatch(given) else fresh[:16]
    trace_id, parent = _continued(environ.get("HTTP_TRACEPARENT")) or (fresh[16:48], None)
    return Names(request_id, trace_id, fresh[48:], parent)


def _continued(traceparent: str | None) -> tuple[str, str] | None:
    found = _PARENT.fullmatch(traceparent) if traceparent else None
    if found is None or (found[1] == "00" and found[4]):  # version 00 has no further parts
        return None
    return found[2], found[3]
