"""Schemas of e-mails, without addresses and texts."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from service.dumping import described, dumper, objects
from service.http.schemas import Moment
from service.mail.outbox import AFTER, FAILED, OWNER, QUEUED, SENT, SPECIALIST, UNCERTAIN

_STATES = {
    QUEUED: "it waits for its time, or is being sent",
    SENT: "the mail server took it, or its file is written",
    UNCERTAIN: "it was being handed over when something broke: nobody knows whether it went",
    FAILED: "it was refused for good, or given up",
}
_STATE_TERMS: dict[str, Any] = {"x-terms": _STATES}
_TEMPLATES = sorted({template for mails in AFTER.values() for template in mails.values()})


class EmailSchema(Schema):
    """An e-mail about a request."""

    id = fields.Integer(**described("its number; later e-mails have higher ones"))
    request = fields.String(attribute="request_id", **described("the id of the request that it is about"))
    recipient = fields.String(**described("who gets it", enum=[OWNER, SPECIALIST]))
    template = fields.String(**described("which text it has", enum=_TEMPLATES))
    state = fields.String(**described("how far it has come", enum=list(_STATES), **_STATE_TERMS))
    created = Moment(**described("when it was queued"))
    due = Moment(**described("when it is tried next, if it is queued"))
    attempts = fields.Integer(**described("how often it was tried"))
    handed = Moment(**described("when the mail server was given it; null: never", optional=True))
    sent = Moment(**described("when it was sent; null: it was not, as far as is known", optional=True))
    failure = fields.String(**described("why the last attempt failed; null: it did not", optional=True))


class EmailPageSchema(Schema):
    """A page of e-mails."""

    emails = objects(EmailSchema, "newest first")


dump_email = dumper(EmailSchema)
