"""Make a valuation and store it, once for each Idempotency-Key."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import NamedTuple

import orjson
from flask import g

from service.api.parts.case import new_case
from service.api.parts.parts import include as include_parts
from service.api.valuations import records
from service.api.values import services
from service.api.values.schemas import dump_valuation
from service.context import context
from service.db.engine import reading, writing
from service.http.idempotency import IdempotencyClaim, claim_of_request, claimed_before, taken


class StoredValuation(NamedTuple):
    """A stored valuation: its id, and its answer byte for byte."""

    id: str
    answer: bytes


def make_and_keep(wanted: services.ValuationRequest, include: Sequence[str] = ()) -> StoredValuation:
    """Make and store a valuation, or return the one made before under this request's Idempotency-Key.

    Raises LimitError if the caller's key may store no more today.

    `include`: names of `PARTS` that the answer has too, and that are stored with it.
    """
    claim = claim_of_request()
    before = claimed_before(claim) if claim else None
    if before is not None:
        return _again(before)
    made, row = make(wanted, include)  # before the transaction, so that no other waits for it
    before = _keep(row, claim)
    return made if before is None else _again(before)


def make(
    wanted: services.ValuationRequest, include: Sequence[str] = ()
) -> tuple[StoredValuation, dict[str, object]]:
    """Make a valuation and its row, which `records.keep` stores. Raises LimitError as `make_and_keep`."""
    found = services.value(wanted)
    record_id, created = records.new_id(), datetime.now(UTC)
    case = new_case(wanted, found)
    answer = dump_valuation(found, record_id, created)
    body = orjson.dumps({**answer, **include_parts(case, include)})
    columns = records.stored(body)
    context().limits.keep(g.caller, records.stored_size(columns))
    row: dict[str, object] = {
        "id": record_id,
        "key_id": g.caller.key_id,
        "created": created,
        "model_version": found.model_version,
        **columns,
    }
    return StoredValuation(record_id, body), row


def _keep(row: dict[str, object], claim: IdempotencyClaim | None) -> str | None:
    """Keep it; or the id of what another request with the same Idempotency-Key kept first."""
    if claim is None:
        records.keep_alone(context().engine, row)
        return None
    with writing(context().engine) as connection:
        before = taken(connection, claim, str(row["id"]))
        if before is None:
            records.keep(connection, row)
        return before


def _again(record_id: str) -> StoredValuation:
    with reading(context().engine) as connection:
        return StoredValuation(record_id, records.find(connection, record_id, g.caller))
