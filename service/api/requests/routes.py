"""/v1/requests: take owners' requests for appraisals, list, show and change them."""

from __future__ import annotations

from typing import Any

from flask import Response
from marshmallow import RAISE

from models.domain.vocabulary import CHANNEL_NAMES, DEFAULT_CHANNEL
from service.api.requests import answering, grading, listing, services
from service.api.requests.bodies.schemas import (
    AnswersSchema,
    Changes,
    NewRequest,
    NewRequestSchema,
    OwnersAnswers,
    RequestChangeSchema,
)
from service.api.requests.schemas import (
    AnsweredSchema,
    GradedValueSchema,
    MadeRequestSchema,
    QuestionsSchema,
    RequestSchema,
    RequestsSchema,
)
from service.api.values.requests import ChannelField, CurrencyField, DayField
from service.http.blueprint import Blueprint, idempotent, localized, proven, unless_changed
from service.http.hooks.conditional import SHOWN
from service.http.pagination import LINK
from service.http.queries import Query, checked, flag
from service.http.responses import SECRET, UNSTORED, json_response, raw_response, shown_at
from service.http.schemas import CURRENCY, DAY

blp = Blueprint(
    "requests",
    __name__,
    url_prefix="/v1/requests",
    description="Owners' requests for appraisals, from the form to the report. A website key makes requests "
    "and answers questions for their owners; an owner's private link opens one request.",
)
_NEW, _CHANGE, _ANSWERS = (
    schema(unknown=RAISE) for schema in (NewRequestSchema, RequestChangeSchema, AnswersSchema)
)
_TERMS = (
    Query(
        "date",
        "the day of the value; default: today",
        {"type": "string", **DAY, "example": "2026-06-30"},
        checked(DayField().read),
    ),
    Query(
        "channel",
        f"the market of the value; default: {DEFAULT_CHANNEL}",
        {"type": "string", "enum": list(CHANNEL_NAMES)},
        checked(ChannelField().read),
    ),
    Query(
        "currency",
        "the currency of every amount; default: that of the adjustment, or of the price asked, or US dollars",
        {"type": "string", **CURRENCY},
        checked(CurrencyField().read),
    ),
)
_VALUE = flag("value", "false: the answer has no value, and the owner is shown none; default: true")


@blp.route("", methods=["POST"])
@blp.authorize("requests", forms=True)
@blp.arguments(_NEW)
@blp.query(_VALUE)
@blp.response(
    201, MadeRequestSchema(), "The request, which is now kept.", headers={"Location": "the path of it"}
)
@proven
@localized
@idempotent
def create_request(wanted: NewRequest, value: bool | None) -> Response:
    """Take an owner's request for an appraisal.

    The answer has the owner's private link and, unless `value=false` says that the owner is to see none, a
    valuation as POST /v1/valuations gives it. Without a price model the request is taken all the same,
    without a valuation. What tells who the owner is, is kept apart from the instrument.
    """
    found = services.create(wanted, with_value=value is not False)
    return raw_response(found.body, found.status, {**SECRET, "Location": found.location or ""})


@blp.route("")
@blp.authorize("requests")
@blp.query(*listing.FILTERS)
@blp.response(200, RequestsSchema(), "A page of requests.", headers=LINK)
def list_requests(**asked: Any) -> Response:
    """List requests, in the order in which they came in.

    A request that comes in or changes meanwhile moves no other to another page.
    """
    found, link = listing.listed(asked)
    return json_response(found, headers={**UNSTORED, **link})


@blp.route("/<string:request_id>")
@blp.authorize("requests", owners=True)
@blp.response(200, RequestSchema(), "The request.", problems=(404,))
def show_request(request_id: str) -> Response:
    """Show a request.

    An owner sees what the specialist made of the instrument once a report is issued.
    """
    return json_response(services.show(request_id), headers=UNSTORED)


@blp.route("/<string:request_id>", methods=["PATCH"])
@blp.authorize("requests", owners=True)
@blp.arguments(_CHANGE)
@blp.response(200, RequestSchema(), "The request, changed.", problems=(404, 409, 507), headers=SHOWN)
@unless_changed
def change_request(changes: Changes, request_id: str) -> Response:
    """Change a request: its state, and what the specialist makes of the instrument.

    The specialist moves it from received to reviewing, from there to waiting_for_owner and back, to declined,
    and, once a report was issued, to reported; a reported one goes back to reviewing for a correction, and
    one that was declined or withdrawn can be taken up again. An owner can do one thing: withdraw it, before a
    report is issued. All that one change says is stored in one step, or nothing.
    """
    found = services.change(request_id, changes)
    return json_response(found, headers={**UNSTORED, **shown_at(services.path_of(request_id))})


@blp.route("/<string:request_id>/questions")
@blp.authorize("requests", forms=True, owners=True)
@blp.response(200, QuestionsSchema(), "The questions.", problems=(404,))
def list_request_questions(request_id: str) -> Response:
    """List what to ask the owner next.

    These are the fields that the specialist asks for, and the two or three unknown ones whose answers would
    narrow the range most. None asks anyone to take an instrument apart.
    """
    return json_response(answering.questions(request_id), headers=UNSTORED)


@blp.route("/<string:request_id>/answers", methods=["POST"])
@blp.authorize("requests", forms=True, owners=True)
@blp.arguments(_ANSWERS)
@blp.response(200, AnsweredSchema(), "The request with the answers.", problems=(404,))
@idempotent
def answer_questions(answers: OwnersAnswers, request_id: str) -> Response:
    """Take the owner's answers.

    They become part of the owner's description; what they replace stays in the history. A request that waited
    for its owner goes back to reviewing. Where the owner was shown a value, the answer has a new one.
    """
    found = answering.answer(request_id, answers)
    return raw_response(found.body, found.status, UNSTORED)


@blp.route("/<string:request_id>/valuation")
@blp.authorize("requests")
@blp.query(*_TERMS)
@blp.response(200, GradedValueSchema(), "The value.", problems=(404,))
def show_request_valuation(request_id: str, **asked: Any) -> Response:
    """Value the instrument as the specialist grades it.

    The specialist's adjustment stands apart from the model's value, and the concluded value is their sum.
    """
    return json_response(grading.shown_value(request_id, **asked), headers=UNSTORED)
