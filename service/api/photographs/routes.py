"""POST and GET /v1/requests/{request_id}/photographs; GET and DELETE of one, and its pictures as JPEG."""

from __future__ import annotations

import hashlib
from typing import IO, Any

from flask import Response, g
from sqlalchemy import Row

from models.domain.cells import read_term
from service.api.photographs import services
from service.api.photographs.schemas import VIEWS, PhotographListSchema, PhotographSchema
from service.api.requests.access import request_of
from service.context import context
from service.db.engine import reading
from service.http.blueprint import Blueprint, idempotent, unless_changed
from service.http.hooks.conditional import MADE
from service.http.idempotency import claim_of_request
from service.http.queries import Query, checked
from service.http.responses import json_response, raw_response
from service.keys.kinds import SYSTEM
from service.photographs.records import photograph_of
from service.photographs.taking import JPEG, KINDS

blp = Blueprint(
    "photographs",
    __name__,
    url_prefix="/v1/requests/<string:request_id>/photographs",
    description="Photographs of a request. Each is made anew from its pixels, so that the place where it was "
    "taken and all else that the file said is gone.",
)
_BODIES = {
    form: {
        "type": "string",
        "title": "Photograph",
        "contentMediaType": form,
        "description": f"the photograph as {kind}",
    }
    for form, kind in KINDS.items()
}
_PICTURE_HEADERS = {
    "Cache-Control": "no cache may keep it",
    "X-Robots-Tag": "no search engine may list it",
    "Content-Disposition": "a name to save it by",
}


_VIEW = Query(
    "view",
    "the part that the photograph shows",
    {"type": "string", "enum": [*VIEWS]},
    checked(lambda given, faults: read_term("view", given.strip(), tuple(VIEWS), faults)),
    required=True,
)


@blp.route("", methods=["POST"])
@blp.authorize("requests", forms=True, owners=True)
@blp.query(_VIEW)
@blp.row_arguments(_BODIES, limit="photograph_limit", lines=False)
@blp.response(201, PhotographSchema(), "The photograph as it is kept.", headers=MADE, problems=(404, 409))
@idempotent
def add_photograph(form: str, body: IO[bytes], request_id: str, view: str) -> Response:
    """Send a photograph of a request, as JPEG, PNG or WebP.

    What is kept is a JPEG made anew: upright, in sRGB, its long side at most 3,000 pixels, without a tag. The
    content decides what the file is, and must be what Content-Type says. A request can have 24 photographs.
    The owner and the website's form can send some until the request is reported, declined or withdrawn.
    """
    digest = hashlib.file_digest(body, "sha256")  # type: ignore[arg-type]  # it is a file, which it can read
    body.seek(0)
    claimed = claim_of_request(digest.hexdigest())
    return services.take(_request(request_id), view, form, body, actor=_actor(), claimed=claimed).response()


@blp.route("")
@blp.authorize("requests", owners=True)
@blp.response(200, PhotographListSchema(), "All photographs of the request.", problems=(404,))
def list_photographs(request_id: str) -> Response:
    """List the photographs of a request.

    They stand in the order in which they came.
    """
    with reading(context().engine) as connection:
        return json_response(services.listed(connection, request_of(connection, request_id).id))


@blp.route("/<id:photograph_id>")
@blp.authorize("requests", owners=True)
@blp.response(200, PhotographSchema(), "What is known of the photograph.", problems=(404,))
def show_photograph(request_id: str, photograph_id: str) -> Response:
    """Say what is known of a photograph.

    Its picture is at the same path with `.jpg`, and the thumbnail below it.
    """
    with reading(context().engine) as connection:
        found = request_of(connection, request_id)
        return json_response(services.shown(connection, found.id, photograph_id))


@blp.route("/<id:photograph_id>.jpg")
@blp.authorize("requests", owners=True)
@blp.response(200, None, "The photograph.", content_type=JPEG, headers=_PICTURE_HEADERS, problems=(404,))
def show_photograph_picture(request_id: str, photograph_id: str) -> Response:
    """Show a photograph.

    A website key cannot read what it sent, because anybody can read that key.
    """
    return _picture(request_id, photograph_id)


@blp.route("/<id:photograph_id>/thumbnail.jpg")
@blp.authorize("requests", owners=True)
@blp.response(200, None, "The thumbnail.", content_type=JPEG, headers=_PICTURE_HEADERS, problems=(404,))
def show_photograph_thumbnail(request_id: str, photograph_id: str) -> Response:
    """Show a photograph small.

    Its long side has at most 480 pixels.
    """
    return _picture(request_id, photograph_id, thumbnail=True)


@blp.route("/<id:photograph_id>", methods=["DELETE"])
@blp.authorize("requests", owners=True)
@blp.response(200, PhotographSchema(), "The photograph, now deleted.", problems=(404, 409, 507))
@unless_changed
def delete_photograph(request_id: str, photograph_id: str) -> Response:
    """Delete a photograph for good, unless the request is reported: the photographs of a report stay.

    An owner cannot delete those of a request that was declined or withdrawn either.
    """
    return json_response(services.delete(_request(request_id), photograph_id, actor=_actor()))


def _request(request_id: str) -> Row[Any]:
    with reading(context().engine) as connection:
        return request_of(connection, request_id)


def _actor() -> str:
    """Return who does it: a website's key acts for the owner who fills in its form."""
    return g.caller.key_id if g.caller.kind == SYSTEM else services.OWNER


def _picture(request_id: str, photograph_id: str, *, thumbnail: bool = False) -> Response:
    with reading(context().engine) as connection:
        row = photograph_of(connection, request_of(connection, request_id).id, photograph_id)
    body = services.blob_of(row, thumbnail=thumbnail)
    return raw_response(body, headers=services.content_headers(row, thumbnail=thumbnail), form=JPEG)
