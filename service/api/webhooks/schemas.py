"""Schemas of webhooks and deliveries in answers."""

from __future__ import annotations

from typing import Any

import orjson
from marshmallow import Schema, fields

from service.dumping import Made, described, dumper, objects
from service.http.schemas import Moment
from service.webhooks.deliveries import STATES as DELIVERY_STATES
from service.webhooks.endpoints import STATES
from service.webhooks.events import CHANGES

_STATE: dict[str, Any] = {"enum": [*STATES], "x-terms": STATES}
_DELIVERY_STATE: dict[str, Any] = {"enum": [*DELIVERY_STATES], "x-terms": DELIVERY_STATES}
_CHANGES: dict[str, Any] = {
    "type": "array",
    "items": {"type": "string", "enum": [*CHANGES], "x-terms": CHANGES},
}


class WebhookSecretSchema(Schema):
    """One of a webhook's secrets, without the secret: more than one sign while it is being rotated."""

    created = Moment(**described("when it was made"))
    expires = Moment(**described("when it ends; null: no end is set", optional=True))


class WebhookSchema(Schema):
    """A webhook: where the service tells another system of changes."""

    id = fields.String(**described("its id"))
    url = fields.String(**described("the address that messages are posted to"))
    description = fields.String(**described("what it is for, in your own words", optional=True))
    changes = Made(orjson.loads, **described("which changes of items it is told", **_CHANGES))
    state = fields.String(**described("how it stands", **_STATE))
    made_by = fields.String(attribute="key_id", **described("the key that made it"))
    created = Moment(**described("when it was made"))
    changed = Moment(**described("when it was last changed by a request"))
    tested = Moment(**described("when it last passed a test; null: never", optional=True))
    failing = Moment(**described("since when each attempt failed; null: the last did not", optional=True))
    parked = Moment(**described("when it was parked; null: it is not", optional=True))
    failure = fields.String(**described("why the last attempt failed; null: it did not", optional=True))
    secrets = objects(WebhookSecretSchema, "its secrets that sign now, oldest first")


class MadeWebhookSchema(WebhookSchema):
    """A webhook with its newest secret, which is shown only in this answer."""

    secret = fields.String(**described("the secret that signs its messages; shown this once"))


class WebhooksSchema(Schema):
    """The webhooks."""

    webhooks = objects(WebhookSchema, "all webhooks, oldest first")


class DeliverySchema(Schema):
    """The delivery of one event to one webhook."""

    event = fields.String(attribute="event_id", **described("the id of the event, sent as webhook-id"))
    type = fields.String(**described("what happened, such as item.valued"))
    stock_number = fields.String(**described("the item; null: it is a test", optional=True))
    position = fields.Integer(**described("the position of the change in the feed of items; 0: it is a test"))
    created = Moment(**described("when it happened"))
    state = fields.String(**described("how far it has come", **_DELIVERY_STATE))
    attempts = fields.Integer(**described("how often it was tried since it was queued"))
    due = Moment(**described("when it is tried next at the soonest, if it waits"))
    delivered = Moment(**described("when the receiver took it; null: it did not yet", optional=True))
    status = fields.Integer(**described("the status of its last answer; null: there was none", optional=True))
    failure = fields.String(**described("why the last attempt failed; null: it did not", optional=True))


class DeliveryPageSchema(Schema):
    """A page of deliveries."""

    deliveries = objects(DeliverySchema, "newest first")


class ReplaySchema(Schema):
    """Events that are sent again."""

    queued = fields.Integer(**described("how many deliveries are queued again"))
    next_event = fields.String(
        **described("the event to replay from for the rest; null: that was all", optional=True)
    )


dump_webhook, dump_made_webhook = dumper(WebhookSchema), dumper(MadeWebhookSchema)
dump_delivery, dump_replay = dumper(DeliverySchema), dumper(ReplaySchema)
