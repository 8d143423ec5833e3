"""/v1/keys: make, list, rotate and revoke keys, with a key that has the scope admin."""

from __future__ import annotations

from flask import Response
from marshmallow import RAISE

from service.api.keys import services
from service.api.keys.schemas import (
    KeyRequestSchema,
    KeySchema,
    KeysSchema,
    MadeKeySchema,
    RotationSchema,
    dump_key,
    dump_made_key,
)
from service.context import context
from service.http.blueprint import Blueprint, idempotent
from service.http.responses import json_response
from service.keys.kinds import NewKey

blp = Blueprint(
    "keys",
    __name__,
    url_prefix="/v1/keys",
    description="Who may ask for what. Only digests are kept: a secret is shown once, when it is made.",
)
_REQUEST, _ROTATION = KeyRequestSchema(unknown=RAISE), RotationSchema(unknown=RAISE)
_UNSTORED = {"Cache-Control": "no-store"}


@blp.route("")
@blp.authorize("admin")
@blp.response(200, KeysSchema(), "The keys.")
def list_keys() -> Response:
    """All keys, with when each was last used."""
    return json_response({"keys": [dump_key(entry) for entry in context().keys.entries()]})


@blp.route("", methods=["POST"])
@blp.authorize("admin")
@blp.arguments(_REQUEST)
@blp.response(201, MadeKeySchema(), "The key, with its secret.", headers={"Location": "its path"})
@idempotent
def create_key(asked: NewKey) -> Response:
    """Make a key.

    A request sent again with the same Idempotency-Key makes no second key. Because a secret is never shown
    twice, its answer is 409 and names the key that was made.
    """
    made = services.make(asked)
    return json_response(dump_made_key(made), 201, {**_UNSTORED, "Location": f"/v1/keys/{made.id}"})


@blp.route("/<string:key_id>")
@blp.authorize("admin")
@blp.response(200, KeySchema(), "The key.", problems=(404,))
def show_key(key_id: str) -> Response:
    """One key, without its secret."""
    return json_response(dump_key(context().keys.entry(key_id)))


@blp.route("/<string:key_id>/rotate", methods=["POST"])
@blp.authorize("admin")
@blp.arguments(_ROTATION)
@blp.response(201, MadeKeySchema(), "The key, with its new secret.", problems=(404,))
@idempotent
def rotate_key(hours: float, key_id: str) -> Response:
    """Give a key a new secret; older ones stay valid for a while, so that callers can change over.

    The key stays the same caller: its id, scopes, origins, limits and records do not change.
    """
    return json_response(dump_made_key(services.rotate(key_id, hours)), 201, _UNSTORED)


@blp.route("/<string:key_id>/revoke", methods=["POST"])
@blp.authorize("admin")
@blp.response(200, KeySchema(), "The key, revoked.", problems=(404, 507))
def revoke_key(key_id: str) -> Response:
    """End a key, with all its secrets, for ever. Other workers can trust it for a few seconds more.

    Its records stay. To revoke a key again changes nothing.
    """
    return json_response(dump_key(services.revoke(key_id)))
