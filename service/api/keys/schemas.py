"""Schemas of the request for a key, and of a key in answers."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields, post_load

from service.dumping import Words, described, dumper, objects
from service.http.schemas import Moment
from service.keys.kinds import (
    DEFAULT_OVERLAP_HOURS,
    KINDS,
    LONGEST_LABEL,
    LONGEST_ORIGIN,
    MOST_ORIGINS,
    MOST_OVERLAP_HOURS,
    SCOPES,
    SYSTEM,
    NewKey,
    overlap,
    read_new_key,
)
from service.texts import text_schema

_WORDS: dict[str, Any] = {"type": "array"}


class KeyRequestSchema(Schema):
    """A request for a new key: a system key with scopes, or a website key with origins."""

    # Members are Raw, because `service.keys.kinds` checks them, for HTTP and for the command alike.
    label = fields.Raw(
        required=True,
        metadata={
            **text_schema(LONGEST_LABEL),
            "description": "whose key it is, in your own words",
        },
    )
    kind = fields.Raw(
        allow_none=True,
        metadata={
            "type": "string",
            "enum": [*KINDS, None],
            "x-terms": KINDS,
            "description": f"what kind of key; default: {SYSTEM}",
        },
    )
    scopes = fields.Raw(
        allow_none=True,
        metadata={
            **_WORDS,
            "items": {"type": "string", "enum": [*SCOPES]},
            "maxItems": len(SCOPES),
            "x-terms": SCOPES,
            "description": "what a system key may do",
        },
    )
    origins = fields.Raw(
        allow_none=True,
        metadata={
            **_WORDS,
            "items": {"type": "string", "maxLength": LONGEST_ORIGIN},
            "maxItems": MOST_ORIGINS,
            "description": "where a website key may be used: exact origins, such as https://www.example.org",
        },
    )

    @post_load
    def _key(self, data: dict[str, Any], **_: Any) -> NewKey:
        return read_new_key(**data)


class RotationSchema(Schema):
    """The time for which both secrets are valid."""

    overlap_hours = fields.Raw(
        allow_none=True,
        metadata={
            "type": "number",
            "minimum": 0,
            "maximum": MOST_OVERLAP_HOURS,
            "description": "hours for which the secrets before stay valid; 0: they end at once; "
            f"default: {DEFAULT_OVERLAP_HOURS:g}",
        },
    )

    @post_load
    def _hours(self, data: dict[str, Any], **_: Any) -> float:
        return overlap(data.get("overlap_hours"))


class SecretSchema(Schema):
    """One of a key's secrets: more than one are valid while a key is being rotated."""

    created = Moment(**described("when it was made"))
    expires = Moment(**described("when it ends; null: no end is set", optional=True))
    used = Moment(**described("when it was last used, to the minute; null: never", optional=True))


class KeySchema(Schema):
    """A key, without its secret."""

    id = fields.String(**described("its id, which the key itself holds too"))
    kind = fields.String(**described("what kind of key", enum=[*KINDS]))
    label = fields.String(**described("whose key it is"))
    scopes = Words(**described("what a system key may do"))
    origins = Words(**described("where a website key may be used"))
    made_by = fields.String(
        **described("the key that asked for it; null: it was made by a command", optional=True)
    )
    created = Moment(**described("when it was made"))
    revoked = Moment(**described("when it was revoked; null: it was not", optional=True))
    used = Moment(**described("when it was last used, to the minute; null: never", optional=True))
    secrets = objects(SecretSchema, "its secrets, oldest first")


class MadeKeySchema(KeySchema):
    """A key with its secret, which is shown only in this answer."""

    key = fields.String(
        **described("the key itself, to be sent as Authorization: Bearer KEY; shown this once")
    )


class KeysSchema(Schema):
    """The keys."""

    keys = objects(KeySchema, "all keys, oldest first, the revoked ones too")


dump_key, dump_made_key = dumper(KeySchema), dumper(MadeKeySchema)
