"""Schemas of the audit."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from service.db.audit import ACTIONS
from service.dumping import described, dumper, objects
from service.http.schemas import Moment

_TERMS: dict[str, Any] = {"x-terms": ACTIONS}


class AuditEntrySchema(Schema):
    """A change of keys, the current price model, webhooks, the specialist's settings, or the desk's users."""

    id = fields.Integer(**described("its number; later entries have higher ones"))
    at = Moment(**described("when it was done"))
    actor = fields.String(**described("the id of the key that asked for it, or command"))
    action = fields.String(**described("what was done", enum=[*ACTIONS], **_TERMS))
    object = fields.String(**described("the id of what was changed, or the version of the price model"))
    detail = fields.String(**described("more about it, in words; of a command also the login of its user"))


class AuditPageSchema(Schema):
    """A page of the audit."""

    entries = objects(AuditEntrySchema, "newest first")


dump_audit_entry = dumper(AuditEntrySchema)
