"""Read what a report is made of, and find everything that is missing or wrong before it is made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import orjson
from sqlalchemy import Connection, Row

from models.domain.instrument import Instrument
from models.errors import Fault, InputError
from service.api.reports import records
from service.api.reports.schemas import ReportRequest
from service.api.requests.access import request_of
from service.api.requests.states import REPORTED, SPECIALIST, check_move
from service.api.specialist.services import standing
from service.errors import FaultyRequestError, Located
from service.faults import pointer_to
from service.photographs.records import photographs_of
from service.reports.content import Photograph
from service.reports.missing import missing
from service.reports.wording import USES


@dataclass(frozen=True)
class ReportBasis:
    """All that was kept before, of which a report is made: as of one transaction."""

    request: Row[Any]
    settings: Mapping[str, str]
    client: str | None
    photographs: tuple[Photograph, ...]
    newest: Row[Any] | None

    def use(self, asked: ReportRequest) -> str:
        """Return the intended use: as asked, else as the request's purpose says; "" if neither says one."""
        return asked.intended_use or USES.get(self.request.purpose, "")


def read_basis(connection: Connection, request_id: str, *, to_change: bool = False) -> ReportBasis:
    """Read it. `to_change`: nobody else can change the request until the transaction ends.

    Raises UnknownRecordError for a request that is not there, or not the caller's.
    """
    request, reports = (
        request_of(connection, request_id, to_change=to_change),
        records.of_request(connection, request_id),
    )
    photographs = tuple(
        Photograph(row.view, row.digest, row.width, row.height)
        for row in photographs_of(connection, request_id)
    )
    client = records.client_of(connection, request_id)
    return ReportBasis(request, standing(connection), client, photographs, reports[-1] if reports else None)


def check(basis: ReportBasis, asked: ReportRequest) -> Instrument:
    """Return the instrument as graded.

    Raises RequestStateError for a request that may not be reported from its state, and FaultyRequestError
    with everything that is missing or wrong.
    """
    check_move(basis.request.state, REPORTED, SPECIALIST)
    it, lacking = _instrument(basis.request)
    faults = missing(asked.type_of_value, basis.settings, basis.client, basis.use(asked), lacking)
    faults += _about_replaced(basis.newest, asked)
    faults += _about_adjustment(basis.request)
    if faults or it is None:
        raise FaultyRequestError(faults)
    return it


def _instrument(request: Row[Any]) -> tuple[Instrument | None, list[str]]:
    try:
        return Instrument.from_nested(orjson.loads(request.graded or request.instrument)), []
    except InputError as error:
        return None, [fault.field for fault in error.faults]


def _about_adjustment(request: Row[Any]) -> list[Located]:
    """Check that an adjustment still has its reason, which goes with the person."""
    if not request.adjustment or orjson.loads(request.adjustment).get("reason"):
        return []
    fault = Fault("request.adjustment.reason", None, "is empty", "why it is adjusted", "send it anew")
    return [Located(pointer_to("request", "adjustment", "reason"), fault)]


def _about_replaced(newest: Row[Any] | None, asked: ReportRequest) -> list[Located]:
    """Check that a correction names the newest report and says why, and that a first report names none."""
    found = []
    wanted = newest.id if newest else None
    if asked.replaces != wanted:
        allowed = wanted or "nothing: it is the request's first report"
        problem = "is not the request's newest report"
        fault = Fault("replaces", asked.replaces, problem, allowed, "send what is allowed")
        found.append(Located(pointer_to("replaces"), fault))
    if newest is not None and not asked.reason:
        fault = Fault("reason", asked.reason, "is empty", "why the report is replaced", "send reason")
        found.append(Located(pointer_to("reason"), fault))
    return found
