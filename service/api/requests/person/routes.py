"""Below /v1/requests/{id}: notes, history, and all that is kept about the owner."""

from __future__ import annotations

from flask import Response
from marshmallow import RAISE

from service.api.requests.bodies.schemas import NewNoteSchema
from service.api.requests.person import history, persons
from service.api.requests.schemas import (
    ErasedSchema,
    EventsSchema,
    ExportSchema,
    KeptContactSchema,
    NoteSchema,
    NotesSchema,
)
from service.http.blueprint import Blueprint, idempotent, unless_changed
from service.http.responses import SECRET, UNSTORED, json_response, raw_response

blp = Blueprint(
    "request parts",
    __name__,
    url_prefix="/v1/requests/<string:request_id>",
    description="Notes on a request, its history, and all that is kept about its owner, which can be "
    "exported and erased.",
)
_NOTE = NewNoteSchema(unknown=RAISE)


@blp.route("/notes")
@blp.authorize("requests")
@blp.response(200, NotesSchema(), "The notes.", problems=(404,))
def list_notes(request_id: str) -> Response:
    """List the notes on a request, oldest first.

    Only those who work on the request see them.
    """
    return json_response(history.notes(request_id), headers=UNSTORED)


@blp.route("/notes", methods=["POST"])
@blp.authorize("requests")
@blp.arguments(_NOTE)
@blp.response(201, NoteSchema(), "The note, which is now kept.", problems=(404,))
@idempotent
def write_note(text: str, request_id: str) -> Response:
    """Write a note on a request.

    Notes are deleted when the owner is erased.
    """
    found = history.note(request_id, text)
    return raw_response(found.body, found.status, UNSTORED)


@blp.route("/history")
@blp.authorize("requests", owners=True)
@blp.response(200, EventsSchema(), "The history.", problems=(404,))
def show_request_history(request_id: str) -> Response:
    """Show what happened to a request and who did it.

    It stays when the owner is erased, because it says nothing about the person. An owner sees no ids of keys,
    and nothing of the specialist's work before a report.
    """
    return json_response(history.events(request_id), headers=UNSTORED)


@blp.route("/contact")
@blp.authorize("requests")
@blp.response(200, KeptContactSchema(), "What is kept about the owner.", problems=(404,))
def show_contact(request_id: str) -> Response:
    """Show what is kept about the owner alone.

    Once the owner was erased, the answer is 404.
    """
    return json_response(persons.show(request_id), headers=SECRET)


@blp.route("/contact", methods=["DELETE"])
@blp.authorize("requests")
@blp.response(200, ErasedSchema(), "When the owner was erased.", problems=(404, 507))
@unless_changed
def erase_contact(request_id: str) -> Response:
    """Erase the owner of a request, for good.

    Name, addresses, words, notes, photographs, what reports and e-mails say of the person, and the private
    link are deleted. The instrument, its valuation, evidence and the history stay. Asked again, it answers
    the same.
    """
    return json_response(persons.erase(request_id), headers=UNSTORED)


@blp.route("/export")
@blp.authorize("requests", owners=True)
@blp.response(200, ExportSchema(), "All that is kept.", problems=(404,))
def export_request(request_id: str) -> Response:
    """Give all that is kept about a request and its owner, as one document.

    An owner's own copy has no notes, and nothing of the specialist's work before a report; `left_out` says
    so.
    """
    return json_response(persons.export(request_id), headers=SECRET)
