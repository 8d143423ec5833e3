"""Create a request, show it, and change it: each change and its events are one transaction."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import partial
from typing import Any

import orjson
from flask import g, request
from sqlalchemy import Connection, Row

from models.costs import MOST_NOTES
from models.domain.instrument import Instrument, Subject
from models.domain.vocabulary import DEFAULT_CHANNEL, DEFAULT_LEVELS
from models.errors import Fault, InputError
from service.api.requests import records, states
from service.api.requests.access import request_of
from service.api.requests.bodies.schemas import Changes, NewRequest
from service.api.requests.showing import shown
from service.api.requests.states import DECLINED, OWNER, RECEIVED, REPORTED, WAITING, WITHDRAWN
from service.api.valuations import records as valuations
from service.api.valuations.services import StoredValuation, make
from service.api.values.services import ValuationRequest
from service.context import context, today
from service.db.engine import reading, writing
from service.db.ids import new_id
from service.errors import FaultyRequestError, LimitError, NoBundleError, RequestStateError
from service.faults import with_pointers
from service.http.hooks.conditional import check_unchanged
from service.http.idempotency import StoredResponse, claim_of_request, run_once, stored_response
from service.http.proof import check_quota
from service.keys.kinds import LINK_PREFIX
from service.languages.reader import best
from service.mail import outbox

Made = tuple[StoredValuation, dict[str, object]]


def path_of(request_id: str) -> str:
    """Return the path of a request."""
    return f"/v1/requests/{request_id}"


# ── create ───────────────────────────────────────────────────────────────────


def create(wanted: NewRequest, *, with_value: bool = True) -> StoredResponse:
    """Keep a new request, once for each Idempotency-Key. `with_value`: the owner is shown a value at once.

    Raises LimitError, ProofNeededError, OtherBodyError.
    """
    claimed = claim_of_request()
    before = stored_response(claimed)
    if before is not None:
        return before
    check_quota(g.caller, request.remote_addr)
    it, notes = wanted.instrument
    made = value(it, wanted.currency, notes) if with_value else None  # before the transaction
    return run_once(partial(_keep, wanted, made), claimed)


def value(it: Instrument, currency: str, notes: Any = ()) -> Made | None:
    """Value an instrument for its owner; None if that cannot be done now, and a request is taken without."""
    subject = Subject(it, today(), DEFAULT_CHANNEL, notes)
    try:
        return make(ValuationRequest(subject, currency, DEFAULT_LEVELS))
    except (NoBundleError, LimitError, InputError):
        return None


def _keep(wanted: NewRequest, made: Made | None, connection: Connection) -> StoredResponse:
    now, token = datetime.now(UTC), f"{LINK_PREFIX}_{secrets.token_urlsafe(32)}"
    if made:
        valuations.keep(connection, made[1])
    columns = {
        "id": new_id("req"),
        "key_id": g.caller.key_id,
        "created": now,
        "changed": now,
        "version": 1,
        "state": RECEIVED,
        "purpose": wanted.purpose,
        "instrument": records.dumped(wanted.instrument.instrument.to_nested()),
        "asked": records.dumped(wanted.asked and wanted.asked._asdict()),
        "language": best(wanted.language, [*request.accept_languages.values()]),
        "consent": wanted.consent_text,
        "consented": now,
        "valuation_id": made[0].id if made else None,
        "link_digest": context().keys.digest(token),
    }
    words = {"message": wanted.message, "reference": wanted.reference}
    row = records.add(connection, columns, {**wanted.contact._asdict(), **words, "link": token})
    records.event(connection, row.id, "created", state=RECEIVED, valuation=row.valuation_id)
    outbox.queue_for(connection, row, "created", row.version)
    answer = {"id": row.id, "state": RECEIVED, "follow": f"/follow/{token}"}
    if made:
        answer["valuation"] = orjson.Fragment(made[0].answer)
    return StoredResponse(201, path_of(row.id), orjson.dumps(answer))


# ── show and change ──────────────────────────────────────────────────────────


def show(request_id: str) -> dict[str, Any]:
    """Return the answer with a request. Raises UnknownRecordError."""
    with reading(context().engine) as connection:
        return shown(connection, request_of(connection, request_id))


def change(request_id: str, changes: Changes) -> dict[str, Any]:
    """Change a request as its specialist or its owner may, and return the answer that shows it.

    Raises UnknownRecordError, PreconditionFailed, RequestStateError, FaultyRequestError.
    """
    with writing(context().engine) as connection:
        row = request_of(connection, request_id, to_change=True)
        check_unchanged(orjson.dumps(shown(connection, row)))
        who = states.mover(g.caller)
        _check_members(changes.sent, who)
        row = _moved(connection, row, changes.sent)
        if who == OWNER:
            return shown(connection, row)
        return shown(connection, _judged(connection, row, changes))


def move(
    connection: Connection,
    row: Row[Any],
    state: str,
    *,
    who: str | None = None,
    words: str = "",
    **detail: Any,
) -> Row[Any]:
    """Move a request to a state in an open transaction, with its event and e-mails; return its new row.

    `row`: read with `request_of(…, to_change=True)`. `who`: who moves it, by default whoever the caller is to
    it. `words`: what the owner is told. `detail`: more for the event, without a word about the
    person. Raises RequestStateError.
    """
    states.check_move(row.state, state, who or states.mover(g.caller))
    asked = records.dumped(detail.get("questions") or []) if state == WAITING else "[]"
    records.event(connection, row.id, "moved", **{"from": row.state, "to": state}, **detail)
    row = records.change(connection, row, state=state, questions=asked)
    if state in _TOLD:
        outbox.queue_for(connection, row, _TOLD[state], row.version, words=words)
    return row


# The state that a request is moved to → the event that e-mails tell of; of a report tells what issues it.
_TOLD: Mapping[str, str] = {WAITING: "asked", DECLINED: "declined", WITHDRAWN: "withdrawn"}


def _moved(connection: Connection, row: Row[Any], sent: Mapping[str, Any]) -> Row[Any]:
    state = sent.get("state", row.state)
    _check_words(sent, row.state, state)
    words = sent.get("message") or sent.get("reason") or ""
    if words:
        say(connection, row.id, records.TO_OWNER, words)
    if state == row.state:
        return _asked_again(connection, row, words) if words else row
    states.check_move(row.state, state, states.mover(g.caller))
    if state == REPORTED and not records.has_report(connection, row.id):
        raise RequestStateError(
            f"No report was issued: POST {path_of(row.id)}/reports issues one and moves it."
        )
    detail = {"questions": sent["questions"]} if sent.get("questions") else {}
    return move(connection, row, state, words=words, **detail)


def _asked_again(connection: Connection, row: Row[Any], words: str) -> Row[Any]:
    """Tell an owner who is waited for something more."""
    records.event(connection, row.id, "asked")
    row = records.change(connection, row)
    outbox.queue_for(connection, row, _TOLD[WAITING], row.version, words=words)
    return row


def say(connection: Connection, request_id: str, kind: str, text: str) -> Row[Any]:
    """Keep a note or message in an open transaction. Raises RequestStateError if there are too many."""
    if records.note_count(connection, request_id) >= MOST_NOTES:
        raise RequestStateError(f"The request has {MOST_NOTES} notes and messages, and can have no more.")
    return records.add_note(connection, request_id, kind, text)


def _judged(connection: Connection, row: Row[Any], changes: Changes) -> Row[Any]:
    """Store what the specialist made of the instrument, with an event for each part that changed."""
    sent = changes.sent
    new: dict[str, Any] = {}
    if "graded" in sent:
        new["graded"] = records.dumped(sent["graded"] and sent["graded"].instrument.to_nested())
    if "adjustment" in sent:
        new["adjustment"] = records.dumped(changes.adjustment and changes.adjustment._asdict())
    if "in_hand" in sent:
        new["in_hand"] = records.dumped(sent["in_hand"] or [])
    new = {name: text for name, text in new.items() if text != getattr(row, name)}
    if not new:
        return row
    if row.state == REPORTED:
        raise RequestStateError(
            "The request is reported, and a report never changes: move it to reviewing for a correction."
        )
    for name in new:
        records.event(connection, row.id, _ACTIONS[name], **_detail(name, row, new[name]))
    return records.change(connection, row, **new)


_ACTIONS = {"graded": "graded", "adjustment": "adjusted", "in_hand": "to_inspect"}


def _detail(name: str, row: Row[Any], new: str | None) -> dict[str, Any]:
    """Return what an event says of a change: all of it but the reason, which can name a person."""
    before, after = (None if text is None else orjson.loads(text) for text in (getattr(row, name), new))
    if name == "adjustment":
        before, after = ({**one, "reason": None} if one else None for one in (before, after))
    return {"before": before, "after": after}


# ── what may be sent ─────────────────────────────────────────────────────────


def _check_members(sent: Mapping[str, Any], who: str) -> None:
    """Raise FaultyRequestError if an owner sends more than a state."""
    step = 'send only {"state": "withdrawn"}'
    wrong = [name for name in sent if who == OWNER and name != "state"]
    _refuse([Fault(name, sent[name], "is not for an owner to change", "state", step) for name in wrong])


def _check_words(sent: Mapping[str, Any], before: str, after: str) -> None:
    """Raise FaultyRequestError for words to the owner that do not go with the state."""
    told = {"message": WAITING, "questions": WAITING, "reason": DECLINED}
    faults = []
    for name, state in told.items():
        right = after == state and (before != after or name == "message")
        if sent.get(name) and not right:
            problem, step = f"goes with a move to {state}", "send it with that move, or leave it out"
            faults.append(Fault(name, sent[name], problem, f'"state": "{state}"', step))
    _refuse(faults)


def _refuse(faults: list[Fault]) -> None:
    if faults:
        raise FaultyRequestError(with_pointers(faults))
