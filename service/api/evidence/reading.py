"""A record of evidence read from JSON, by the current catalogue and rates."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from models.domain.evidence import Evidence
from models.errors import Fault, InputError
from service.context import bundle

HISTORY = "history"  # the address of a record's changes ends with it


def read(data: Mapping[str, Any]) -> Evidence:
    """A record as JSON, spelled as the current catalogue has it. Raises InputError, NoBundleError."""
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
    """Name the faults of an id that cannot stand in an address."""
    parts = given.strip().split("/") if isinstance(given, str) else [""]
    if len(parts) == 1 and parts[0] not in (".", ".."):
        return ()
    if parts[0] and parts[-1] != HISTORY and not {".", ".."} & set(parts):
        return ()
    allowed = f"no / in front, no /{HISTORY} at the end, no . or .. between two /"
    return (Fault("id", given, "cannot stand in an address", allowed, "use another id"),)
