"""Schemas of photographs, and the views that they can show."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from marshmallow import Schema, fields

from service.dumping import described, dumper, objects

VIEWS: Mapping[str, str] = {
    "front": "the whole front",
    "back": "the whole back",
    "headstock_front": "the headstock from the front",
    "headstock_back": "the headstock from behind",
    "serial": "the serial number",
    "neck": "the neck and its wear",
    "parts": "parts, such as pickups, bridge and tuners",
    "case": "the case and what is in it",
    "other": "anything else",
}
_TERMS: dict[str, Any] = {"x-terms": dict(VIEWS)}


class PhotographSchema(Schema):
    """A photograph as it is kept, which is not the file that was sent: it was made anew from the pixels."""

    id = fields.String(**described("the photograph's id"))
    view = fields.String(**described("the part that it shows", enum=[*VIEWS], **_TERMS))
    width = fields.Integer(**described("its width in pixels, upright"))
    height = fields.Integer(**described("its height in pixels, upright"))
    bytes = fields.Integer(**described("the size of the kept JPEG"))


class PhotographListSchema(Schema):
    """The photographs of a request."""

    photographs = objects(PhotographSchema, "in the order in which they came")


dump_photograph = dumper(PhotographSchema)
