"""The questions to an owner, and the owner's answers."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Any

import orjson
from sqlalchemy import Connection, Row

from models.costs import MOST_ANSWERINGS
from models.domain.instrument import Instrument, Subject
from models.domain.vocabulary import BY_PATH, DEFAULT_CHANNEL, DEFAULT_LEVELS
from models.errors import Fault
from models.insights.questions import how_to_tell
from service.api.parts.case import Case
from service.api.parts.parts import find_questions
from service.api.requests import records
from service.api.requests.access import request_of
from service.api.requests.bodies.schemas import OwnersAnswers
from service.api.requests.grading import currency_of
from service.api.requests.schemas import dump_question
from service.api.requests.services import Made, move, say, value
from service.api.requests.states import ANSWERS, REVIEWING, WAITING, check_open
from service.api.valuations import records as valuations
from service.api.values.services import ValuationRequest
from service.context import bundle, context, today
from service.db.engine import reading
from service.errors import FaultyRequestError, NoBundleError, RequestStateError
from service.faults import with_pointers
from service.http.idempotency import StoredResponse, claim_of_request, run_once, stored_response
from service.mail import outbox


def questions(request_id: str) -> dict[str, Any]:
    """Return the answer with the questions to an owner. Raises UnknownRecordError, NoBundleError."""
    with reading(context().engine) as connection:
        row = request_of(connection, request_id)
    subject = Subject(_known(row), today(), DEFAULT_CHANNEL)
    wanted = ValuationRequest(subject, currency_of(row), DEFAULT_LEVELS)
    found = find_questions(Case(wanted, bundle().valuer))
    if row.valuation_id is None:  # an owner who is shown no value gets none here
        found = [replace(question, outcomes=()) for question in found]
    return {
        "asked": [
            {"field": path, "label": BY_PATH[path].label, "how": how_to_tell(path)}
            for path in orjson.loads(row.questions)
        ],
        "questions": [dump_question(question) for question in found],
    }


def _known(row: Row[Any]) -> Instrument:
    """Return what the specialist or else the owner says of the instrument, so that nothing is asked twice."""
    said = Instrument.from_nested(orjson.loads(row.instrument))
    graded = Instrument.from_nested(orjson.loads(row.graded)) if row.graded else said
    return graded.but(**{name: old for name, old in said._asdict().items() if getattr(graded, name) is None})


def answer(request_id: str, sent: OwnersAnswers) -> StoredResponse:
    """Take an owner's answers, once for each Idempotency-Key.

    Raises UnknownRecordError, FaultyRequestError for no answer at all, RequestStateError, OtherBodyError.
    """
    claimed = claim_of_request()
    with reading(context().engine) as connection:
        row = request_of(connection, request_id)
    before = stored_response(claimed)
    if before is not None:
        return before
    if not sent.answers and not sent.message:
        allowed = "answers, message"
        raise FaultyRequestError(
            with_pointers([Fault("answers", None, "is empty", allowed, "send one of both")])
        )
    check_open(row.state)
    it = _answered(row, sent.answers)
    made = value(it, currency_of(row)) if row.valuation_id is not None else None  # before the transaction
    return run_once(partial(_keep, request_id, sent, it, made), claimed)


def _answered(row: Row[Any], answers: dict[str, Any]) -> Instrument:
    said = Instrument.from_nested(orjson.loads(row.instrument))
    it = said.but(**{BY_PATH[path].flat: new for path, new in answers.items()})
    try:
        return bundle().valuer.catalogue.canonical(it)
    except NoBundleError:
        return it


def _keep(
    request_id: str, sent: OwnersAnswers, it: Instrument, made: Made | None, connection: Connection
) -> StoredResponse:
    row = request_of(connection, request_id, to_change=True)
    check_open(row.state)
    if records.times(connection, row.id, "answered") >= MOST_ANSWERINGS:
        raise RequestStateError(
            f"The request was answered {MOST_ANSWERINGS} times, and takes no more answers."
        )
    said = Instrument.from_nested(orjson.loads(row.instrument))
    now = _answered(row, sent.answers)
    old = {path: said.get(BY_PATH[path]) for path in sent.answers}
    records.event(connection, row.id, "answered", before=old, after=sent.answers)
    if sent.message:
        say(connection, row.id, records.FROM_OWNER, sent.message)
    columns = {"instrument": records.dumped(now.to_nested())}
    if made and now == it:
        valuations.keep(connection, made[1])
        columns["valuation_id"] = made[0].id
    row = records.change(connection, row, **columns)
    if row.state == WAITING:
        row = move(connection, row, REVIEWING, who=ANSWERS)
    outbox.queue_for(connection, row, "answered", row.version)
    shown = {"id": row.id, "state": row.state, "instrument": now.to_nested()}
    if "valuation_id" in columns and made:
        shown["valuation"] = orjson.Fragment(made[0].answer)
    return StoredResponse(200, None, orjson.dumps(shown))
