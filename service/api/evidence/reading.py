"""Read a record of evidence from JSON, with the current catalogue and exchange rates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from models.domain.cells import LAST_DAY, last_day
from models.domain.evidence import Evidence
from models.errors import Fault, InputError
from models.valuation.plausibility import RecordWarning, warnings_of
from service.api.evidence.records import Prepared
from service.context import bundle

# The last parts of the paths that show a record's changes and that confirm it.
HISTORY, CONFIRMATION = "history", "confirmation"
LONGEST_REASON = 200  # in characters


def read(data: Mapping[str, Any]) -> Evidence:
    """Read a record from JSON, with names as in the current catalogue. Raises InputError, NoBundleError."""
    valuer = bundle().valuer
    faults = list(id_faults(data.get("id")))
    try:
        found = Evidence.from_nested(data, valuer.catalogue, valuer.rates, today=LAST_DAY)
    except InputError as error:
        raise InputError([*faults, *error.faults]) from None
    if faults:
        raise InputError(faults)
    return found


def read_reason(text: str) -> str:
    """Read the reason for a change. Raises InputError."""
    reason = text.strip()
    if len(reason) <= LONGEST_REASON and reason.isprintable():
        return reason
    allowed = f"at most {LONGEST_REASON} printable characters"
    raise InputError([Fault("reason", reason, "is not a usable reason", allowed, "make it shorter")])


def prepared(
    found: Sequence[Evidence], more: Sequence[Sequence[RecordWarning]] | None = None
) -> list[Prepared]:
    """Return records ready to be kept, with the warnings on each by the current price model.

    `more`: further warnings on each record.
    """
    valuer = bundle().valuer
    warnings = warnings_of(found, valuer.catalogue, last_day(), valuer)
    more = more or [()] * len(found)
    return [Prepared.of(e, (*one, *other)) for e, one, other in zip(found, warnings, more, strict=True)]


def id_faults(given: object) -> tuple[Fault, ...]:
    """Return the faults of an id that cannot be part of a URL's path."""
    parts = given.strip().split("/") if isinstance(given, str) else [""]
    if len(parts) == 1 and parts[0] not in (".", ".."):
        return ()
    if parts[0] and parts[-1] not in (HISTORY, CONFIRMATION) and not {".", ".."} & set(parts):
        return ()
    allowed = f"no / in front, no /{HISTORY} or /{CONFIRMATION} at the end, no . or .. between two /"
    return (Fault("id", given, "cannot stand in an address", allowed, "use another id"),)
