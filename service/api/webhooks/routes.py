"""/v1/webhooks: endpoints, their secrets and tests, and deliveries to them, listed and sent again."""

from __future__ import annotations

from typing import Any

from flask import Response
from marshmallow import RAISE

from models.domain.cells import read_term
from service.api.keys.schemas import RotationSchema
from service.api.webhooks import services
from service.api.webhooks.bodies import NewWebhookSchema, ReplayRequestSchema, WebhookChangeSchema
from service.api.webhooks.schemas import (
    DeliveryPageSchema,
    DeliverySchema,
    MadeWebhookSchema,
    ReplaySchema,
    WebhookSchema,
    WebhooksSchema,
)
from service.http.blueprint import Blueprint, idempotent, unless_changed
from service.http.hooks.conditional import SHOWN
from service.http.pagination import LINK, PAGED, page_of
from service.http.queries import Query, checked
from service.http.responses import SECRET, UNSTORED, json_response, shown_at
from service.webhooks.deliveries import STATES

blp = Blueprint(
    "webhooks",
    __name__,
    url_prefix=services.PATH,
    description="Addresses of other systems that are told of changes of the stock (Standard Webhooks 1.0): "
    "signed, tried again for a day, in order for each item, and at least once.",
)
_NEW, _CHANGE = NewWebhookSchema(unknown=RAISE), WebhookChangeSchema(unknown=RAISE)
_ROTATION, _REPLAY = RotationSchema(unknown=RAISE), ReplayRequestSchema(unknown=RAISE)


_STATE = Query(
    "state",
    "only deliveries in this state",
    {"type": "string", "enum": [*STATES]},
    checked(lambda given, faults: read_term("state", given.strip(), tuple(STATES), faults)),
)


@blp.route("")
@blp.authorize("inventory")
@blp.response(200, WebhooksSchema(), "The webhooks.")
def list_webhooks() -> Response:
    """List all webhooks, with how each stands.

    One that took nothing for over a day is parked, and says why. No secret is shown.
    """
    return json_response(services.listed(), headers=UNSTORED)


@blp.route("", methods=["POST"])
@blp.authorize("inventory")
@blp.arguments(_NEW)
@blp.response(
    201, MadeWebhookSchema(), "The webhook, with its secret.", headers={"Location": "the path of it"}
)
@idempotent
def create_webhook(asked: dict[str, Any]) -> Response:
    """Make a webhook.

    Only this answer shows its secret. It is told nothing before it has passed a test. A request that is sent
    again with the same Idempotency-Key makes no second one: the answer is 409 and names the first.
    """
    made = services.make(asked)
    return json_response(made, 201, {**SECRET, "Location": services.path_of(made["id"])})


@blp.route("/<string:webhook_id>")
@blp.authorize("inventory")
@blp.response(200, WebhookSchema(), "The webhook.", problems=(404,))
def show_webhook(webhook_id: str) -> Response:
    """Show one webhook, without its secret.

    It says where messages go, how the webhook stands, and why the last attempt failed if it did.
    """
    return json_response(services.show(webhook_id))


@blp.route("/<string:webhook_id>", methods=["PATCH"])
@blp.authorize("inventory")
@blp.arguments(_CHANGE)
@blp.response(200, WebhookSchema(), "The webhook, changed.", problems=(404, 507), headers=SHOWN)
@unless_changed
def change_webhook(asked: dict[str, Any], webhook_id: str) -> Response:
    """Change a webhook's address, its description, or the changes that it is told.

    Another address has to pass a test; until then its deliveries wait.
    """
    return json_response(services.change(webhook_id, asked), headers=shown_at(services.path_of(webhook_id)))


@blp.route("/<string:webhook_id>", methods=["DELETE"])
@blp.authorize("inventory")
@blp.response(200, WebhookSchema(), "The webhook, now deleted.", problems=(404, 507))
@unless_changed
def delete_webhook(webhook_id: str) -> Response:
    """Delete a webhook and its secrets.

    Nothing is sent to it any more, not even what waits.
    """
    return json_response(services.remove(webhook_id), headers=UNSTORED)


@blp.route("/<string:webhook_id>/test", methods=["POST"])
@blp.authorize("inventory")
@blp.response(202, WebhookSchema(), "The webhook; the test is on its way.", problems=(404, 507))
def send_webhook_test(webhook_id: str) -> Response:
    """Send a webhook a signed message of the type webhook.test, once.

    If the receiver answers 2xx, the webhook is active, and gets all that waits for it. Ask for the webhook
    after some seconds: state says that it is active, or failure why it is not. A parked one becomes active
    in the same way.
    """
    return json_response(services.test(webhook_id), 202, UNSTORED)


@blp.route("/<string:webhook_id>/rotate", methods=["POST"])
@blp.authorize("inventory")
@blp.arguments(_ROTATION)
@blp.response(201, MadeWebhookSchema(), "The webhook, with its new secret.", problems=(404,))
@idempotent
def rotate_webhook_secret(hours: float, webhook_id: str) -> Response:
    """Give a webhook a new secret.

    For the hours that you ask for, each message is signed by the secrets before too, so that the receiver can
    change over at any moment of them.
    """
    return json_response(services.rotate(webhook_id, hours), 201, SECRET)


@blp.route("/<string:webhook_id>/deliveries")
@blp.authorize("inventory")
@blp.query(_STATE, *PAGED)
@blp.response(200, DeliveryPageSchema(), "A page of deliveries.", problems=(404,), headers=LINK)
def list_webhook_deliveries(webhook_id: str, state: str | None, **asked: Any) -> Response:
    """List deliveries to a webhook, newest first, with what came of each.

    If there are more, the header Link leads to the next page.
    """
    body, link = services.listed_deliveries(webhook_id, state, page_of(asked))
    return json_response(body, headers={**UNSTORED, **link})


@blp.route("/<string:webhook_id>/deliveries/<string:event_id>/sending", methods=["POST"])
@blp.authorize("inventory")
@blp.response(200, DeliverySchema(), "The delivery, queued again.", problems=(404, 507))
def send_delivery_again(webhook_id: str, event_id: str) -> Response:
    """Send one event to a webhook again, or now if it waits for its next attempt.

    It keeps its id. Later events of its item wait until it has arrived.
    """
    return json_response(services.sent_again(webhook_id, event_id), headers=UNSTORED)


@blp.route("/<string:webhook_id>/replay", methods=["POST"])
@blp.authorize("inventory")
@blp.arguments(_REPLAY)
@blp.response(200, ReplaySchema(), "How many events are sent again.", problems=(404,))
@idempotent
def replay_webhook(asked: dict[str, Any], webhook_id: str) -> Response:
    """Send a webhook again all that it was sent from an event or a moment on, in the same order.

    Each event keeps its id. If next_event is not null, there are more: replay from that one.
    """
    return services.replay(webhook_id, asked).response()
