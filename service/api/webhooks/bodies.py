"""The bodies of requests about webhooks, and how they are read."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from marshmallow import Schema, ValidationError, validates_schema

from models.costs import LONGEST_URL
from models.errors import Fault
from service.api.values.requests import OwnField
from service.context import context
from service.errors import Located
from service.networks.setting import read_networks
from service.texts import text_faults, text_schema
from service.webhooks.endpoints import URL_PATTERN, url_faults
from service.webhooks.events import CHANGES

LONGEST_DESCRIPTION, LONGEST_EVENT = 200, 40
_MOMENT = "a moment with its zone, such as 2026-03-01T00:00:00Z"


class UrlField(OwnField):
    """The address of a webhook."""

    def read(self, value: Any, faults: list[Fault]) -> Any:
        """Return the address to the letter."""
        faults += url_faults(value, read_networks(context().settings.webhook_networks))
        return value


class DescriptionField(OwnField):
    """A word for a webhook, or null for none."""

    def read(self, value: Any, faults: list[Fault]) -> Any:
        """Return the text."""
        faults += text_faults("description", value, LONGEST_DESCRIPTION, "say what it is for")
        return value


class WantedField(OwnField):
    """The changes that a webhook is told."""

    def read(self, value: Any, faults: list[Fault]) -> list[str]:
        """Return the changes, each once, in the order of the vocabulary."""
        allowed = ", ".join(CHANGES)
        good = isinstance(value, list) and 0 < len(value) <= len(CHANGES)
        if not good or not all(isinstance(one, str) and one in CHANGES for one in value):
            faults.append(Fault("changes", value, "is no list of changes", allowed, "name those you want"))
            return []
        return [one for one in CHANGES if one in value]


class EventField(OwnField):
    """The id of an event."""

    def read(self, value: Any, faults: list[Fault]) -> Any:
        """Return the id."""
        faults += text_faults("event", value, LONGEST_EVENT, "take it from a delivery or a message")
        return value


class MomentField(OwnField):
    """A moment with its time zone."""

    def read(self, value: Any, faults: list[Fault]) -> datetime | None:
        """Return the moment."""
        try:
            at = datetime.fromisoformat(value) if isinstance(value, str) else None
        except ValueError:
            at = None
        if at is None or at.tzinfo is None or not 1970 < at.year < 9999:
            faults.append(Fault(str(self.name), value, "is no such moment", _MOMENT, "correct it"))
            return None
        return at


_URL = {
    "type": "string",
    "format": "uri",
    "maxLength": LONGEST_URL,
    "pattern": f"^{URL_PATTERN}$",
    "description": "the address that messages are posted to: https, and reachable from the public Internet",
}
_DESCRIPTION = {
    **text_schema(LONGEST_DESCRIPTION),
    "description": "what it is for",
}
_CHANGES = {
    "type": "array",
    "items": {"type": "string", "enum": [*CHANGES], "x-terms": CHANGES},
    "minItems": 1,
    "maxItems": len(CHANGES),
    "description": "which changes of items it is told; default: all",
}


class NewWebhookSchema(Schema):
    """A request for a webhook."""

    url = UrlField(required=True, metadata=_URL)
    description = DescriptionField(allow_none=True, load_default=None, metadata=_DESCRIPTION)
    changes = WantedField(load_default=[*CHANGES], metadata=_CHANGES)


class WebhookChangeSchema(Schema):
    """A change of a webhook; what is left out stays."""

    url = UrlField(metadata=_URL)
    description = DescriptionField(allow_none=True, metadata=_DESCRIPTION)
    changes = WantedField(metadata=_CHANGES)


class ReplayRequestSchema(Schema):
    """The place from which events are sent again: an event or a moment, one of them."""

    event = EventField(metadata={**text_schema(LONGEST_EVENT), "description": "the first event, by its id"})
    since = MomentField(metadata={"type": "string", "format": "date-time", "description": "the first moment"})

    @validates_schema
    def _one(self, data: dict[str, Any], **_: Any) -> None:
        if len(data) != 1:
            fault = Fault("event", None, "must be sent, or since", "one of event, since", "send one of them")
            raise ValidationError({"event": [Located("#/event", fault)]})
