"""Show issued reports, and say whether bytes are one of them."""

from __future__ import annotations

import hashlib
from typing import IO, Any, NamedTuple

from sqlalchemy import Connection, Row

from service.api.reports import records
from service.api.reports.schemas import dump_entry, dump_verification
from service.api.requests.access import request_of
from service.context import context
from service.db.engine import reading
from service.errors import ReportErasedError

_PIECE = 256 * 1024


class FileVerdict(NamedTuple):
    """The result of comparing bytes with a report. `digest`: of the bytes; None where none were sent."""

    report: records.Standing
    form: str | None
    digest: str | None = None


class _Verification:
    """A verdict with the report's facts beside it, as the schema reads them."""

    def __init__(self, verdict: FileVerdict) -> None:
        self.__dict__.update(verdict.report._asdict())
        self.is_report, self.form = verdict.form is not None, verdict.form


def content(report_id: str) -> bytes:
    """Return a report's content, byte for byte. Raises UnknownRecordError, ReportErasedError."""
    with reading(context().engine) as connection:
        kept: str = _readable(connection, report_id).content
        return kept.encode()


def file(report_id: str, form: str) -> bytes:
    """Return a report's page or PDF, byte for byte. Raises UnknownRecordError, ReportErasedError."""
    with reading(context().engine) as connection:
        _readable(connection, report_id)
    kept = context().blobs.get(records.key_of(report_id, form))
    if kept is None:
        raise ReportErasedError("The report's files are gone.")
    return kept


def _readable(connection: Connection, report_id: str) -> Row[Any]:
    row = records.find(connection, report_id)
    request_of(connection, row.request_id)  # raises if it is not the caller's
    if row.erased is not None or row.content is None:
        raise ReportErasedError("The report's content was erased with the person it was made for.")
    return row


def listed(request_id: str) -> dict[str, Any]:
    """Return the answer that lists a request's reports. Raises UnknownRecordError."""
    with reading(context().engine) as connection:
        request_of(connection, request_id)
        rows = records.of_request(connection, request_id)
        return {"reports": [dump_entry(records.standing(connection, row)) for row in rows]}


def standing(report_id: str) -> records.Standing:
    """Return what anyone may know of a report. Raises UnknownRecordError."""
    with reading(context().engine) as connection:
        return records.standing(connection, records.find(connection, report_id))


def verdict(report_id: str, sent: IO[bytes]) -> FileVerdict:
    """Say whether these bytes are the report. Raises UnknownRecordError."""
    with reading(context().engine) as connection:
        row = records.find(connection, report_id)
        found = records.standing(connection, row)
    digest = _digest(sent)
    forms = {row.digest: "json", row.html_digest: "html", row.pdf_digest: "pdf"}
    return FileVerdict(found, forms.get(digest), digest)


def verified(report_id: str, sent: IO[bytes]) -> dict[str, Any]:
    """Return the answer that says whether these bytes are the report. Raises as `verdict`."""
    return dump_verification(_Verification(verdict(report_id, sent)))


def _digest(sent: IO[bytes]) -> str:
    digest = hashlib.sha256()
    while piece := sent.read(_PIECE):
        digest.update(piece)
    return digest.hexdigest()
