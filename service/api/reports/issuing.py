"""Issue a report: find all that it says, make its page and PDF, and keep them once and for ever."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import orjson
from flask import g
from sqlalchemy import Connection

from models.costs import REPORT_MEMORY, REPORT_SECONDS
from models.domain.instrument import Instrument, Subject
from models.errors import InputError
from models.insights.pictures import span_picture, walk_picture
from service.api.parts.case import Case, new_case
from service.api.parts.parts import find_comparables, find_questions, find_sentences
from service.api.reports import records
from service.api.reports.basis import ReportBasis, check, read_basis
from service.api.reports.schemas import ReportRequest, dump_issued
from service.api.requests.grading import concluded
from service.api.requests.services import move
from service.api.requests.states import REPORTED
from service.api.valuations import records as valuations
from service.api.values import services as values
from service.api.values.schemas import dump_valuation
from service.children.runner import run
from service.context import bundle, context, today
from service.db.engine import reading
from service.db.ids import new_id
from service.errors import FaultyRequestError, OvertakenError
from service.faults import with_pointers
from service.http.idempotency import StoredResponse, claim_of_request, run_once, stored_response
from service.mail import outbox
from service.photographs.taking import key_of as photograph_key
from service.reports.conclusion import ValuedFigures, conclude
from service.reports.content import Found, Issue, Replaced, Told, canonical, content_of, digest_of
from service.reports.kinds import levels_of, market_of
from service.reports.page import render


@dataclass(frozen=True)
class _Valued:
    """The instrument valued for the type of value, with what stands beside the value."""

    case: Case
    found: Found
    adjustment: str | None


def issue(request_id: str, asked: ReportRequest) -> StoredResponse:
    """Issue a report, or return the answer of the one issued before under this Idempotency-Key.

    Raises UnknownRecordError, FaultyRequestError with all that is missing, RequestStateError where it may
    not be reported, OvertakenError if it changed meanwhile, and FilesError or NoRoomError if the files cannot
    be kept.
    """
    claim = claim_of_request()
    before = stored_response(claim)
    if before is not None:
        return before
    with reading(context().engine) as connection:
        basis = read_basis(connection, request_id)
    valued = _value(basis, asked, check(basis, asked))
    now, report_id, blobs = datetime.now(UTC), new_id("rep"), context().blobs
    content = _content(basis, asked, valued, report_id, now)
    files = _set(content, valued.found, report_id)
    valuation_row = _valuation_row(valued.case, now)
    row = _row(basis, asked, report_id, now, files, str(valuation_row["id"]))

    def keep(connection: Connection) -> StoredResponse:
        valuations.keep(connection, valuation_row)
        _add(connection, basis, row)
        return StoredResponse(201, _path(report_id), orjson.dumps(dump_issued(_Issued(row))))

    # The files come before the row that names them: files without a row are pruned, never the other way.
    keys = {form: records.key_of(report_id, form) for form in ("html", "pdf")}
    for form, key in keys.items():
        blobs.put(key, files[form])
    response = run_once(keep, claim)
    if response.location != _path(report_id):  # another request with this Idempotency-Key was first
        records.release(blobs, keys.values())
    return response


def _add(connection: Connection, basis: ReportBasis, row: Mapping[str, Any]) -> None:
    """Add the report, and move its request, with the event and the e-mails. Raises OvertakenError."""
    now = read_basis(connection, basis.request.id, to_change=True)
    if (now.request.version, now.newest) != (basis.request.version, basis.newest):
        raise OvertakenError("The request changed while the report was made: look again, then issue it.")
    records.add(connection, row)
    told = {name: row[name] for name in ("version", "type_of_value", "replaces")}
    request = move(connection, now.request, REPORTED, report=row["id"], **told)
    outbox.queue_for(connection, request, "corrected" if basis.newest else "reported", row["version"])


def _path(report_id: str) -> str:
    return f"/v1/reports/{report_id}"


class _Issued:
    """The row of a report, with the columns that the answer shows as attributes."""

    def __init__(self, row: Mapping[str, Any]) -> None:
        self.id, self.version, self.digest = row["id"], row["version"], row["digest"]


def _value(basis: ReportBasis, asked: ReportRequest, it: Instrument) -> _Valued:
    """Value the instrument for this type of value. Raises FaultyRequestError."""
    kind, settings = asked.type_of_value, basis.settings
    kept = settings.get("liquidation_share") if kind == "liquidation" else None
    share = Decimal(kept) if kept else None
    valuer, day, currency = bundle().valuer, asked.effective_date or today(), settings["currency"]
    try:
        market = market_of(kind, valuer.snapshot, valuer.catalogue.canonical(it), day)
        subject = Subject(it, day, market.channel)
        wanted = values.ValuationRequest(subject, currency, levels_of(kind, share))
        case = new_case(wanted, values.value(wanted))
        own = orjson.loads(basis.request.adjustment or "{}")
        after = concluded(case.valuation, own, valuer)
        model = ValuedFigures(case.valuation.value, case.valuation.intervals)
        figures = conclude(kind, share, model, ValuedFigures(after.value, after.intervals))
    except InputError as error:
        raise FaultyRequestError(with_pointers(error.faults, "request")) from None
    beside = find_comparables(case)
    cautions = [*case.valuation.cautions, *([beside.caution] if beside.caution else [])]
    said = find_questions(case), find_sentences(case), cautions
    return _Valued(
        case, Found(kind, market, share, case.valuation, figures, beside, *said), own.get("reason")
    )


def _content(
    basis: ReportBasis, asked: ReportRequest, valued: _Valued, report_id: str, now: datetime
) -> dict[str, Any]:
    newest = basis.newest
    told = Told(
        client=basis.client or "",
        intended_use=basis.use(asked),
        settings=basis.settings,
        photographs=basis.photographs,
        in_hand=orjson.loads(basis.request.in_hand),
        adjustment=valued.adjustment,
        extraordinary=asked.extraordinary_assumptions,
        hypothetical=asked.hypothetical_conditions,
    )
    replaced = Replaced(newest.id, newest.version, asked.reason or "") if newest else None
    version = newest.version + 1 if newest else 1
    return content_of(Issue(report_id, version, now.date(), told, valued.found, replaced))


def _set(content: Mapping[str, Any], found: Found, report_id: str) -> dict[str, bytes]:
    """Return the report in each of its forms."""
    data = canonical(content)
    digest, blobs = digest_of(data), context().blobs
    pictures = {
        "walk": walk_picture(found.valuation, "walk"),
        "span": span_picture(found.valuation, found.comparables, None, "span"),
    }
    shown = {p["digest"] for p in content["property"]["photographs"]}
    small = {name: blobs.get(photograph_key(name, thumbnail=True)) for name in shown}
    photographs = {name: jpeg for name, jpeg in small.items() if jpeg is not None}
    address = f"{context().settings.public_url}/verify/{report_id}#{digest}"
    page = render(content, digest, address, pictures, photographs)
    pdf = run("service.reports.printing", page, seconds=REPORT_SECONDS, memory=REPORT_MEMORY)
    return {"json": data, "html": page, "pdf": pdf}


def _row(
    basis: ReportBasis,
    asked: ReportRequest,
    report_id: str,
    now: datetime,
    files: Mapping[str, bytes],
    valuation_id: str,
) -> dict[str, Any]:
    digests = {"digest": "json", "html_digest": "html", "pdf_digest": "pdf"}
    return {
        "id": report_id,
        "request_id": basis.request.id,
        "version": basis.newest.version + 1 if basis.newest else 1,
        "replaces": asked.replaces,
        "created": now,
        "key_id": g.caller.key_id,
        "type_of_value": asked.type_of_value,
        "valuation_id": valuation_id,
        "content": files["json"].decode(),
        **{name: digest_of(files[form]) for name, form in digests.items()},
        "erased": None,
    }


def _valuation_row(case: Case, now: datetime) -> dict[str, object]:
    """Return the row of the valuation behind a report, so that its outcome can be recorded."""
    record_id = valuations.new_id()
    answer = orjson.dumps(dump_valuation(case.valuation, record_id, now))
    return {
        "id": record_id,
        "key_id": g.caller.key_id,
        "created": now,
        "model_version": case.valuation.model_version,
        **valuations.stored(answer),
    }
