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
from service.http.hooks.conditional import SHOWN
from service.http.responses import SECRET, UNSTORED, json_response, shown_at
from service.keys.kinds import NewKey

blp = Blueprint(
    "keys",
    __name__,
    url_prefix="/v1/keys",
    description="Keys and what each may do. The service keeps only a digest of a secret, so a secret is "
    "shown once, when it is made.",
)
_REQUEST, _ROTATION = KeyRequestSchema(unknown=RAISE), RotationSchema(unknown=RAISE)


@blp.route("")
@blp.authorize("admin")
@blp.response(200, KeysSchema(), "The keys.")
def list_keys() -> Response:
    """List all keys, with when each was last used.

    Revoked keys are listed too. No secret is shown.
    """
    return json_response({"keys": [dump_key(entry) for entry in context().keys.entries()]}, headers=UNSTORED)


@blp.route("", methods=["POST"])
@blp.authorize("admin")
@blp.arguments(_REQUEST)
@blp.response(201, MadeKeySchema(), "The key, with its secret.", headers={"Location": "the path of it"})
@idempotent
def create_key(asked: NewKey) -> Response:
    """Make a key.

    Only this answer shows the key's secret. A request that is sent again with the same Idempotency-Key makes
    no second key: the answer is 409 and names the key that was made.
    """
    made = services.make(asked)
    return json_response(dump_made_key(made), 201, {**SECRET, "Location": f"/v1/keys/{made.id}"})


@blp.route("/<string:key_id>")
@blp.authorize("admin")
@blp.response(200, KeySchema(), "The key.", problems=(404,))
def show_key(key_id: str) -> Response:
    """Show one key, without its secret.

    It says what the key may do, when it was made and last used, and whether it was revoked.
    """
    return json_response(dump_key(context().keys.entry(key_id)), headers=UNSTORED)


@blp.route("/<string:key_id>/rotate", methods=["POST"])
@blp.authorize("admin")
@blp.arguments(_ROTATION)
@blp.response(201, MadeKeySchema(), "The key, with its new secret.", problems=(404,))
@idempotent
def rotate_key(hours: float, key_id: str) -> Response:
    """Give a key a new secret.

    The secrets before stay valid for the hours that you ask for, so programs can change over without an
    interruption. The key keeps its id, scopes, origins and limits, and everything it made.
    """
    return json_response(dump_made_key(services.rotate(key_id, hours)), 201, SECRET)


@blp.route("/<string:key_id>/revoke", methods=["POST"])
@blp.authorize("admin")
@blp.response(200, KeySchema(), "The key, revoked.", problems=(404, 507), headers=SHOWN)
def revoke_key(key_id: str) -> Response:
    """End a key and all its secrets for good.

    Other workers may accept it for a few seconds more. What it made stays. Revoking a key again changes
    nothing.
    """
    shown = {**UNSTORED, **shown_at(f"/v1/keys/{key_id}")}
    return json_response(dump_key(services.revoke(key_id)), headers=shown)
