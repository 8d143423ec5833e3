"""Take, show and delete the photographs of a request, for the API, the desk and the owner's pages alike."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import partial
from typing import IO, Any

import orjson
from flask import g
from flask import request as asked
from sqlalchemy import Connection, Row, insert

from service.api.photographs.schemas import dump_photograph
from service.api.requests.states import RECEIVED
from service.context import context
from service.db.engine import reading, writing
from service.db.request_tables import EVENTS
from service.errors import RequestClosedError, ServiceError, UnknownRecordError
from service.http.hooks.conditional import check_unchanged
from service.http.idempotency import IdempotencyClaim, StoredResponse, run_once, stored_response
from service.mail import outbox
from service.photographs import records
from service.photographs.taking import keep, key_of, put
from service.server.threads.pool import giving_place

OWNER = "owner"  # the actor of an event that no key stands for
_REPORTED = "reported"
_CLOSED = (_REPORTED, "declined", "withdrawn")
# No cache may keep a photograph, none may change its bytes on the way, and no search engine may list it.
PRIVATE = {
    "Cache-Control": "private, no-store, no-transform",
    "X-Robots-Tag": "noindex, noimageindex",
}


def path_of(request_id: str, photograph_id: str) -> str:
    """Return the path of a photograph."""
    return f"/v1/requests/{request_id}/photographs/{photograph_id}"


def take(
    request: Row[Any],
    view: str,
    form: str,
    body: IO[bytes],
    *,
    actor: str,
    claimed: IdempotencyClaim | None = None,
) -> StoredResponse:
    """Keep a photograph of this view, once for each Idempotency-Key. Its files are written before its row.

    `form`: the media type that the sender names. `actor`: `OWNER`, or the id of a key. Raises
    ContentTypeError, PhotographError, TooManyPhotographsError, RequestClosedError, LimitError, NoRoomError,
    FilesError; then nothing is kept.
    """
    before = stored_response(claimed)
    if before is not None:
        return before
    check_open(request, actor)
    parts = context()
    with reading(parts.engine) as connection:
        records.check_room(connection, request.id)  # before the photograph is opened, which is dear
    allow = partial(parts.limits.keep_photograph, g.caller, asked.remote_addr)
    kept, picture, thumbnail = keep(parts.blobs, form, body, allow)

    def change(connection: Connection) -> StoredResponse:
        row = records.add(connection, request.id, view, kept)
        _record(connection, request.id, actor, "photograph_added", row["id"], view)
        if actor == OWNER and request.state != RECEIVED:  # of a new one the specialist is told already
            outbox.queue_for(connection, request, "photographed", datetime.now(UTC).date().isoformat())
        answer = {name: row[name] for name in ("id", "view", "width", "height", "bytes")}
        return StoredResponse(201, path_of(request.id, row["id"]), orjson.dumps(answer))

    try:
        answer = run_once(change, claimed)
    except ServiceError:  # no row names the files, so they need not wait for `records.prune`
        with giving_place():
            records.release(parts.engine, parts.blobs, [kept.digest])
        raise
    with giving_place():
        there = parts.blobs.exists(key_of(kept.digest))
    if not there:  # the last photograph that had the same pixels was deleted between file and row
        put(parts.blobs, kept.digest, picture, thumbnail)
    return answer


def check_open(request: Row[Any], actor: str) -> None:
    """Raise RequestClosedError if the owner can change nothing any more; the specialist's keys still can."""
    if actor == OWNER and request.state in _CLOSED:
        raise RequestClosedError(f"The request is {request.state}, and takes no change of its photographs.")


def shown(connection: Connection, request_id: str, photograph_id: str) -> dict[str, Any]:
    """Return what is said of a photograph. Raises UnknownRecordError."""
    return dump_photograph(records.photograph_of(connection, request_id, photograph_id))


def listed(connection: Connection, request_id: str) -> dict[str, Any]:
    """Return what is said of a request's photographs, in the order in which they came."""
    return {"photographs": [dump_photograph(row) for row in records.photographs_of(connection, request_id)]}


def blob_of(photograph: Row[Any], *, thumbnail: bool = False) -> bytes:
    """Return the JPEG of a photograph, or of its thumbnail. Raises UnknownRecordError, FilesError."""
    with giving_place():
        found = context().blobs.get(key_of(photograph.digest, thumbnail=thumbnail))
    if found is None:
        raise UnknownRecordError(f"The file of the photograph {photograph.id} is gone.")
    return found


def delete(request: Row[Any], photograph_id: str, *, actor: str) -> dict[str, Any]:
    """Delete a photograph; return what it was. Raises UnknownRecordError, RequestClosedError."""
    if request.state == _REPORTED:
        raise RequestClosedError("The request is reported, and the photographs of a report stay.")
    check_open(request, actor)
    parts = context()
    with writing(parts.engine) as connection:
        row = records.photograph_of(connection, request.id, photograph_id)
        answer = dump_photograph(row)
        check_unchanged(orjson.dumps(answer))
        records.remove(connection, row)
        _record(connection, request.id, actor, "photograph_deleted", row.id, row.view)
    with giving_place():
        records.release(parts.engine, parts.blobs, [row.digest])
    return answer


def content_headers(photograph: Row[Any], *, thumbnail: bool = False) -> dict[str, str]:
    """Return the headers of an answer with this picture."""
    name = f"{photograph.view}-{photograph.id}{'-thumbnail' if thumbnail else ''}.jpg"
    return {**PRIVATE, "Content-Disposition": f'inline; filename="{name}"'}


def _record(
    connection: Connection, request_id: str, actor: str, action: str, photograph_id: str, view: str
) -> None:
    detail = orjson.dumps({"photograph": photograph_id, "view": view}).decode()
    row = {"request_id": request_id, "at": datetime.now(UTC), "actor": actor, "action": action}
    connection.execute(insert(EVENTS).values(**row, detail=detail))
