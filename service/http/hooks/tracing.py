"""Names for a request: its id (X-Request-ID), and its span in a trace (W3C Trace Context).

A `traceparent` that can be read is continued under a new span; one that cannot, or none, begins a new trace.
`tracestate` is for whoever asks others in turn: the service asks nobody, so it is left alone.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from typing import Any, NamedTuple

_ID = re.compile(r"[A-Za-z0-9._-]{1,64}", re.ASCII)
# Version ff is forbidden, and so are names of nothing but zeros; a later version may say more after a dash.
_PARENT = re.compile(r"(?!ff)([0-9a-f]{2})-(?!0{32})([0-9a-f]{32})-(?!0{16})([0-9a-f]{16})-[0-9a-f]{2}(-.*)?")


class Names(NamedTuple):
    """The names of a request. `parent`: the span of the caller, if it sent one."""

    request_id: str
    trace_id: str
    span_id: str
    parent: str | None


def names_of(environ: Mapping[str, Any]) -> Names:
    """The request's own names where it has usable ones, new ones where it has not."""
    fresh = os.urandom(32).hex()  # once, for all three
    given = environ.get("HTTP_X_REQUEST_ID")
    request_id = given if given and _ID.fullmatch(given) else fresh[:16]
    trace_id, parent = _continued(environ.get("HTTP_TRACEPARENT")) or (fresh[16:48], None)
    return Names(request_id, trace_id, fresh[48:], parent)


def _continued(traceparent: str | None) -> tuple[str, str] | None:
    found = _PARENT.fullmatch(traceparent) if traceparent else None
    if found is None or (found[1] == "00" and found[4]):  # version 00 says no more
        return None
    return found[2], found[3]
