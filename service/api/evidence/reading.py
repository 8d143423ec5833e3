"""Read a record of evidence from JSON, with the current catalogue and exchange rates."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from models.domain.evidence import Evidence
from models.errors import Fault, InputError
from service.context import bundle

HISTORY = "history"  # the last part of the path that shows a record's changes


def read(data: Mapping[str, Any]) -> Evidence:
    """Read a record from JSON, with names as in the current catalogue. Raises InputError, NoBundleError."""
    valuer = bundle().valuer
    faults = list(id_faults(data.get("id")))
    try:
        found = Evidence.from_nested(data, valuer.catalogue, valuer.rates)
    except InputError as error:
        raise InputError([*faults, *error.faults]) from None
    if faults:
        raise InputError(faults)
    return found


def id_faults(given: object) -> tuple[Fault, ...]:
    """Return the faults of an id that cannot be part of a URL's path."""
    parts = given.strip().split("/") if isinstance(given, str) else [""]
    if len(parts) == 1 and parts[0] not in (".", ".."):
        return ()
    if parts[0] and parts[-1] != HISTORY and not {".", ".."} & set(parts):
        return ()
    allowed = f"no / in front, no /{HISTORY} at the end, no . or .. between two /"
    return (Fault("id", given, "cannot stand in an address", allowed, "use another id"),)
