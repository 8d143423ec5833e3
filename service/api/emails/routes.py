"""/v1/e-mails: what came of the e-mails about requests, and one that a person wants sent again."""

from __future__ import annotations

from typing import Any

from flask import Response

from service.api.emails import services
from service.api.emails.schemas import EmailPageSchema, EmailSchema
from service.http.blueprint import Blueprint
from service.http.pagination import LINK, PAGED, page_of
from service.http.responses import UNSTORED, json_response

blp = Blueprint(
    "e-mails",
    __name__,
    url_prefix="/v1/e-mails",
    description="E-mails to owners and to the specialist. Each is sent once; where something broke off while "
    "one was handed over, it is uncertain whether it went, and a person decides.",
)


@blp.route("")
@blp.authorize("requests")
@blp.query(*PAGED)
@blp.response(200, EmailPageSchema(), "A page of e-mails.", headers=LINK)
def list_emails(**asked: Any) -> Response:
    """List the e-mails about requests, newest first, with what came of each.

    Neither addresses nor texts are shown. If there are more e-mails, the header Link leads to the next page.
    """
    body, link = services.listed(page_of(asked))
    return json_response(body, headers={**UNSTORED, **link})


@blp.route("/<string:email_id>/sending", methods=["POST"])
@blp.authorize("requests")
@blp.response(200, EmailSchema(), "The e-mail, queued again.", problems=(404, 409, 507))
def send_email_again(email_id: str) -> Response:
    """Send an e-mail again that is uncertain or failed.

    Of an uncertain one the recipient may get a second copy. An e-mail that was sent, or that still waits, is
    not sent again: the answer is 409.
    """
    return json_response(services.sent_again(email_id), headers=UNSTORED)
