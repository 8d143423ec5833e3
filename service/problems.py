"""Turn every error into an answer, a problem document (RFC 9457), in this one place.

The error classes know no HTTP: `TABLE` gives each its status and texts. `type` leads to its explanation.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from typing import Any, NamedTuple

import orjson
from flask import Flask, Response, g, request
from gunicorn.http.errors import NoMoreData, ParseException
from sqlalchemy.exc import DBAPIError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError
from werkzeug.exceptions import HTTPException

from models.errors import BookmatchError, InputError, TableError
from service import errors
from service.dumping import dumper
from service.faults import ProblemHeadSchema, ProofSchema, dump_fault, told, with_pointers

PROBLEM_JSON = "application/problem+json"
# The headers of an answer that no page is made of, and that nobody may keep.
_NOTHING = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
CAUTIOUS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Content-Security-Policy": _NOTHING,
    "Cache-Control": "no-store",
}


class ProblemKind(NamedTuple):
    """One kind of problem: its status, the name its type ends with, its title and what to do about it."""

    status: int
    name: str
    title: str
    remedy: str


class Occurrence(NamedTuple):
    """One occurrence of a problem: what is said of it, the path that was asked, and the request's id."""

    kind: ProblemKind
    detail: str
    instance: str
    request_id: str | None


_dump_head, _dump_proof = dumper(ProblemHeadSchema), dumper(ProofSchema)
_BROKEN = ProblemKind(500, "unexpected", "The service failed", "Try again later; tell us the request_id.")
_NO_DATABASE = ProblemKind(503, "no-database", "The database does not answer", "Try again after Retry-After.")
NOT_READY = ProblemKind(
    503, "not-ready", "The service cannot answer all requests", "See checks, which a key is shown."
)
_BROKE_OFF = ProblemKind(
    400, "broke-off", "The request body is incomplete or malformed", "Send it again, whole."
)
_FIELDS = ProblemKind(422, "fields", "Some fields are wrong", "See errors: each entry names one field.")

TABLE: Mapping[type[Exception], ProblemKind] = {
    errors.FaultyRequestError: _FIELDS,
    InputError: _FIELDS,
    errors.BodyError: ProblemKind(400, "body", "The body cannot be read", "Send one JSON object (RFC 8259)."),
    TableError: ProblemKind(400, "table", "The table cannot be read", "Correct what detail names."),
    errors.ContentTypeError: ProblemKind(
        415,
        "content-type",
        "Wrong content type",
        "Send a form that the path takes: most take application/json.",
    ),
    errors.EncodingError: ProblemKind(
        415, "content-encoding", "Wrong compression", "Send gzip, or the body as it is."
    ),
    errors.NotAcceptableError: ProblemKind(
        406, "accept", "No acceptable format", "Request a format that this path offers."
    ),
    errors.KeyMissingError: ProblemKind(
        401, "key-missing", "A key is needed", "Send Authorization: Bearer KEY."
    ),
    errors.KeyInvalidError: ProblemKind(401, "key-invalid", "The key is not valid", "Ask for a new key."),
    errors.ScopeError: ProblemKind(403, "scope", "The key may not do this", "Ask for a key with the scope."),
    errors.LimitError: ProblemKind(429, "limit", "Too many requests", "Try again after Retry-After."),
    errors.OriginError: ProblemKind(
        403, "origin", "The key is not for this origin", "Use it on a page of its own website only."
    ),
    errors.KeyRevokedError: ProblemKind(409, "key-revoked", "The key was revoked", "Make another key."),
    errors.ShownOnceError: ProblemKind(
        409, "shown-once", "The secret was shown before", "Rotate what detail names, or end it."
    ),
    errors.UnknownRecordError: ProblemKind(404, "record", "No such record", "Check the id."),
    errors.DuplicateError: ProblemKind(
        409, "duplicate", "The id is taken", "Use another id, or correct the record that has it."
    ),
    errors.EmailStateError: ProblemKind(409, "e-mail-state", "Not to be sent again", "See /v1/e-mails."),
    errors.TooManyRowsError: ProblemKind(
        413, "too-many-rows", "Too many rows at once", "Send them in several files."
    ),
    errors.RowsRefusedError: ProblemKind(
        422,
        "rows",
        "Some rows cannot be taken",
        "Correct them. Without strict, good rows are taken if not too many wrong ones stand together.",
    ),
    errors.WithdrawnError: ProblemKind(
        410, "withdrawn", "The record was withdrawn", "See its history; to use it again, PUT it."
    ),
    errors.ItemDeletedError: ProblemKind(
        410, "item-deleted", "The item was deleted", "PUT it to use it again."
    ),
    errors.UnknownPathNameError: ProblemKind(
        404, "name", "Not in the catalogue", "See errors for the nearest names."
    ),
    errors.NoCardError: ProblemKind(404, "card", "The price model has no card", "Fit it with later sales."),
    errors.UnknownModelError: ProblemKind(
        404, "model", "No such price model", "GET /v1/price-models lists the price models."
    ),
    errors.ModelRefusedError: ProblemKind(
        422,
        "model-refused",
        "The price model cannot serve",
        "Mend or fit it again; the current one goes on serving.",
    ),
    errors.RequestStateError: ProblemKind(
        409, "request-state", "The request's state does not allow it", "GET the request, and see its state."
    ),
    errors.ProofNeededError: ProblemKind(
        429, "proof-needed", "A proof of work is needed", "Solve proof, and send the request again with it."
    ),
    errors.GateError: ProblemKind(
        409, "gate", "The gate did not let it pass", "Fit a better one, or send force with who and why."
    ),
    errors.ModelChangedError: ProblemKind(
        409,
        "model-changed",
        "Another price model is current",
        "GET /v1/price-models, then roll back the one meant.",
    ),
    errors.NoEarlierModelError: ProblemKind(
        409, "no-earlier", "Nothing to go back to", "Promote a price model instead."
    ),
    errors.ModelStoreError: ProblemKind(
        503, "model-store", "The store of price models is out of reach", "Mend it, then try again."
    ),
    errors.BundleGoneError: ProblemKind(
        410, "model-gone", "The price model is gone", "Value the instrument again; the valuation stays."
    ),
    errors.OvertakenError: ProblemKind(409, "overtaken", "It changed meanwhile", "Look, then ask again."),
    errors.ReportErasedError: ProblemKind(410, "erased", "It was erased", "Verify its digest instead."),
    errors.NoRoomError: ProblemKind(
        507, "no-room", "The disk is full", "Try again later, or send less at once."
    ),
    errors.BusyError: ProblemKind(503, "busy", "Too much at once", "Try again after Retry-After."),
    errors.FilesError: ProblemKind(503, "files", "Files are out of reach", "Try again after Retry-After."),
    errors.PhotographError: ProblemKind(422, "photograph", "No usable photograph", "Do as detail says."),
    errors.TooManyPhotographsError: ProblemKind(409, "photographs-full", "No more room", "Delete one first."),
    errors.RequestClosedError: ProblemKind(409, "request-closed", "The request has ended", "Make another."),
    errors.NoBundleError: ProblemKind(
        503, "no-model", "No price model is loaded", "Try again after Retry-After."
    ),
    errors.KeyFormError: ProblemKind(
        400, "idempotency-key", "The Idempotency-Key is not usable", "Make another."
    ),
    errors.InFlightError: ProblemKind(
        409, "in-flight", "The first request has not ended", "Try again shortly."
    ),
    errors.OtherBodyError: ProblemKind(
        422, "other-body", "Another body was sent before", "Use a new Idempotency-Key."
    ),
    NoMoreData: _BROKE_OFF,
    ParseException: _BROKE_OFF,
    ConnectionError: _BROKE_OFF,
    OperationalError: _NO_DATABASE,
    PoolTimeoutError: _NO_DATABASE,
    Exception: _BROKEN,
}
# What HTTP itself refuses, by status.
BY_STATUS: Mapping[int, ProblemKind] = {
    400: ProblemKind(400, "request", "The request cannot be read", "Correct the request."),
    404: ProblemKind(404, "path", "Nothing is at this path", "See /docs for the paths there are."),
    405: ProblemKind(405, "method", "This path does not have that method", "Allow names the methods it has."),
    412: ProblemKind(
        412,
        "precondition",
        "It has changed since you read it",
        "GET it again, look at what changed, then send your change with the new ETag.",
    ),
    413: ProblemKind(413, "too-large", "The body is too large", "Send less at once."),
    414: ProblemKind(414, "address", "The URL is too long", "Send one of at most 4,000 bytes."),
    417: ProblemKind(417, "expectation", "What was expected cannot be met", "Leave out the header Expect."),
    431: ProblemKind(431, "headers", "The headers are too large", "Send fewer headers, or shorter ones."),
    501: ProblemKind(501, "transfer-coding", "Unknown transfer coding", "Send chunks, or a Content-Length."),
    500: _BROKEN,
}
_RETRY_SECONDS = "5"
# Kind of problem → the error of WWW-Authenticate (RFC 6750, section 3.1); a missing key gets no error.
_CHALLENGE = {
    "key-invalid": ', error="invalid_token"',
    "scope": ', error="insufficient_scope"',
    "origin": ', error="insufficient_scope"',
}
# Error codes of the database drivers: PostgreSQL's undefined_table (it was not migrated yet) and
# read_only_sql_transaction (it has become a standby), and both databases' codes for a full disk.
_NOT_OURS, _FULL = ("42P01", "25006"), ("53100", sqlite3.SQLITE_FULL)


def register(app: Flask) -> None:
    """Register the handlers that turn every error of this application into a problem document."""
    for kind in TABLE:
        app.register_error_handler(kind, _of_error)
    app.register_error_handler(HTTPException, _of_http)


def _of_error(error: Exception) -> Response:
    kind = _kind_of(error)
    extra: dict[str, Any] = {}
    if isinstance(error, errors.FaultyRequestError):
        extra["errors"] = [dump_fault(located) for located in told(error.faults)]
    elif isinstance(error, InputError):
        extra["errors"] = [dump_fault(located) for located in with_pointers(told(error.faults))]
    elif isinstance(error, errors.RowsRefusedError):
        extra[error.member] = error.report
    elif isinstance(error, errors.ProofNeededError):
        extra["proof"] = _dump_proof(error)
    internal = kind.status >= 500 and not isinstance(error, errors.ServiceError)
    if internal:
        g.failure = error  # for the log alone: a library's message can hold private data
    ours = isinstance(error, BookmatchError) and not isinstance(error, InputError) and not internal
    detail = str(error) if ours else kind.remedy
    headers = {"Retry-After": str(error.seconds)} if isinstance(error, errors.LimitError) else None
    return problem(kind, detail, extra, headers)


def _kind_of(error: Exception) -> ProblemKind:
    if isinstance(error, DBAPIError):
        code = getattr(error.orig, "sqlstate", None) or getattr(error.orig, "sqlite_errorcode", None)
        if code in _FULL:
            return TABLE[errors.NoRoomError]
        if code in _NOT_OURS or error.connection_invalidated:
            return _NO_DATABASE
    return next(TABLE[cls] for cls in type(error).__mro__ if cls in TABLE)


def _of_http(error: HTTPException) -> Response:
    status = error.code or 500
    if status < 400:  # a redirect is no problem
        return Response(error.get_body(), status, error.get_headers())
    kind = BY_STATUS.get(status) or ProblemKind(status, "http", error.name, "Correct the request.")
    kept = {name: value for name, value in error.get_headers() if name in ("Allow", "Retry-After")}
    detail = kind.remedy
    if status == 413:  # what reads a body sets this limit one byte higher, to see whether there is more
        most = (request.max_content_length or 1) - 1
        detail = f"A body can have {most:,} bytes here, counted unpacked. {kind.remedy}"
    return problem(kind, detail, headers=kept)


def document(
    kind: ProblemKind,
    detail: str,
    instance: str,
    request_id: str | None,
    extra: Mapping[str, Any] | None = None,
) -> bytes:
    """The problem document itself."""
    head = _dump_head(Occurrence(kind, detail, instance, request_id))
    return orjson.dumps({**head, **(extra or {})})


def problem(
    kind: ProblemKind,
    detail: str,
    extra: Mapping[str, Any] | None = None,
    headers: Mapping[str, str] | None = None,
) -> Response:
    """Return the HTTP response with a problem document of this kind."""
    g.problem = kind.name
    body = document(kind, detail, request.path, g.get("request_id"), extra)
    answer = Response(body, kind.status, mimetype=PROBLEM_JSON)
    if kind.status in (401, 403):
        answer.headers["WWW-Authenticate"] = 'Bearer realm="bookmatch"' + _CHALLENGE.get(kind.name, "")
    elif kind.status == 503 or kind.name == "in-flight":
        answer.headers["Retry-After"] = _RETRY_SECONDS
    elif kind.name == "content-encoding":
        answer.headers["Accept-Encoding"] = "gzip"
    answer.headers.update(headers or {})
    return answer


def all_kinds() -> list[ProblemKind]:
    """Every kind once, by status, for the documentation."""
    kinds = dict.fromkeys([*TABLE.values(), *BY_STATUS.values(), NOT_READY])
    return sorted(kinds, key=lambda kind: (kind.status, kind.name))
