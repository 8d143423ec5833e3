"""/v1/audit: who did what to keys and price models, for a key that has the scope admin."""

from __future__ import annotations

from typing import Any

from flask import Response

from service.api.audit import services
from service.api.audit.schemas import AuditPageSchema
from service.http.blueprint import Blueprint
from service.http.pagination import LINK, PAGED, page_of
from service.http.responses import UNSTORED, json_response

blp = Blueprint(
    "audit", __name__, url_prefix="/v1/audit", description="The record of who did what to keys and models."
)


@blp.route("")
@blp.authorize("admin")
@blp.query(*PAGED)
@blp.response(200, AuditPageSchema(), "A page of the record.", headers=LINK)
def list_audit(**asked: Any) -> Response:
    """List who made, rotated and revoked keys, and who promoted and rolled back price models, newest first.

    An entry is written together with the change. Promotions and rollbacks that a command made are not here:
    the list of changes of price models has them all. If there are more entries, the header Link leads to the
    next page.
    """
    body, link = services.listed(page_of(asked))
    return json_response(body, headers={**UNSTORED, **link})
