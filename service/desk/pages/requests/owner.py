"""Ask the owner, decline, write notes, and erase the person."""

from __future__ import annotations

from typing import Any

from marshmallow import RAISE

from models.domain.vocabulary import FIELDS
from models.errors import Fault, InputError
from service.api.requests import services
from service.api.requests.bodies.schemas import NewNoteSchema
from service.api.requests.person import history, persons
from service.api.requests.states import DECLINED, RECEIVED, REVIEWING, WAITING
from service.desk import forms
from service.desk.blueprint import blp
from service.desk.pages.requests.grading import change, check_seen, tried

_NOTE = NewNoteSchema(unknown=RAISE)
_ERASE = "erase"


@blp.post("/requests/<request_id>/work")
def take_up(request_id: str) -> Any:
    """Take a request up: a new one, or one that was reported, declined or withdrawn."""
    return tried(request_id, "", lambda: change(request_id, {"state": REVIEWING}))


@blp.post("/requests/<request_id>/questions")
def ask_owner(request_id: str) -> Any:
    """Ask the owner, who answers by the private link."""

    def ask() -> None:
        asked = [one.path for one in FIELDS if forms.text(f"ask.{one.path}")]
        words = forms.text("message")
        if not asked and not words:
            raise InputError([Fault("message", "", "is empty", "a question, or fields to ask for", "say it")])
        _take_up(request_id)
        change(request_id, {"state": WAITING, "questions": asked, **({"message": words} if words else {})})

    return tried(request_id, "questions", ask)


@blp.post("/requests/<request_id>/refusal")
def decline(request_id: str) -> Any:
    """Decline a request; the owner is told the reason."""

    def refuse() -> None:
        reason = forms.text("reason")
        if not reason:
            raise InputError([Fault("reason", "", "is empty", "what the owner is told", "say why")])
        _take_up(request_id)
        change(request_id, {"state": DECLINED, "reason": reason})

    return tried(request_id, "", refuse)


def _take_up(request_id: str) -> None:
    """Take up a new request: from there alone it goes to its owner, or is declined."""
    if services.show(request_id)["state"] == RECEIVED:
        change(request_id, {"state": REVIEWING})


@blp.post("/requests/<request_id>/notes")
def write_note(request_id: str) -> Any:
    """Write a note, which the owner does not see."""
    text = {"text": forms.text("text")}
    return tried(request_id, "notes", lambda: history.note(request_id, forms.loaded(_NOTE, text)))


@blp.post("/requests/<request_id>/erasure")
def erase(request_id: str) -> Any:
    """Erase the owner, if the word for it was typed."""

    def run() -> None:
        if forms.text("confirm").lower() != _ERASE:
            fault = Fault("confirm", "", "is not the word", _ERASE, "type it, if you mean it")
            raise InputError([fault])
        check_seen(request_id)
        persons.erase(request_id)

    return tried(request_id, "owner", run)
