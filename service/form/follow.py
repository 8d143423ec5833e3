"""GET and POST /follow/<token>: the owner's private page, whose address is its key."""

from __future__ import annotations

from functools import partial
from http import HTTPStatus
from typing import Any

import orjson
from flask import Blueprint, Response, g, request
from marshmallow import RAISE

from service.api.photographs import services as photographs
from service.api.photographs.schemas import VIEWS
from service.api.reports import services as reports
from service.api.requests import answering
from service.api.requests import services as requests
from service.api.requests.access import request_of
from service.api.requests.bodies.schemas import AnswersSchema, Changes
from service.api.requests.person import persons
from service.api.requests.states import WITHDRAWN
from service.context import context
from service.db.engine import reading
from service.errors import FaultyRequestError, KeyInvalidError, ReportErasedError, UnknownRecordError
from service.form import following
from service.form import reading as forms
from service.form.pages import PRIVATE, led_to, page, said, take_post
from service.form.requesting import kept
from service.http.bodies import load
from service.http.responses import HTML, JSON, PDF, raw_response
from service.keys.kinds import OWNER
from service.photographs.records import photograph_of
from service.photographs.taking import JPEG
from service.reports.page import policy_of

blp = Blueprint("follow", __name__, url_prefix="/follow/<string:token>")
_ANSWERS = AnswersSchema(unknown=RAISE)


@blp.url_value_preprocessor
def know_owner(endpoint: str | None, values: dict[str, Any] | None) -> None:
    """Take the token from the address; no view sees it."""
    g.token = (values or {}).pop("token", "")


@blp.before_request
def identify_owner() -> None:
    """Find the owner by the token. Raises KeyInvalidError."""
    if request.method == "OPTIONS":  # which methods there are, anybody may know
        return
    parts = context()
    g.caller = parts.callers.caller(g.token, partial(parts.limits.used_up, request.remote_addr))
    if g.caller.kind != OWNER:
        raise KeyInvalidError("This is no owner's link.")


@blp.errorhandler(KeyInvalidError)
@blp.errorhandler(UnknownRecordError)
@blp.errorhandler(ReportErasedError)
def say_nothing(_: Exception) -> Response:
    """Tell nothing of a wrong or dead address."""
    return said("follow.gone", HTTPStatus.NOT_FOUND, title="follow.gone_title", private=True)


@blp.get("")
def show_owner_page() -> Response:
    """The owner's page."""
    return _shown({}, done=request.args.get("done"))


def _shown(
    values: dict[str, str],
    *,
    done: str | None = None,
    error: FaultyRequestError | None = None,
    wrong: str = "",
) -> Response:
    found = following.page_values(g.caller.request_id, values, error)
    found |= {"base": f"/follow/{g.token}", "done": done if done in following.DONE else None, "wrong": wrong}
    status = HTTPStatus.UNPROCESSABLE_ENTITY if error or wrong else HTTPStatus.OK
    return page("owner.html", found.pop("language"), status, private=True, **found)


@blp.post("")
def change_owner_page() -> Response:
    """Do what the owner asks on the page: add a photograph, keep an answer, or withdraw."""
    take_post()
    action = request.form.get("action")
    if action == "photograph":
        return _add_photograph()
    if action == "withdraw":
        if request.form.get("sure") == "yes":
            requests.change(g.caller.request_id, Changes({"state": WITHDRAWN}))
            return _done("withdraw")
        return _shown({})
    return _answer()


def _done(what: str) -> Response:
    return led_to(f"/follow/{g.token}?done={what}")


def _add_photograph() -> Response:
    file, view = request.files.get("photograph"), request.form.get("view", "")
    if not file or view not in VIEWS:
        return _done("nothing")
    with reading(context().engine) as connection:
        row = request_of(connection, g.caller.request_id)
    take = partial(photographs.take, row, view, actor=photographs.OWNER)
    if not kept(take, file):
        return _shown({}, wrong="form.upload_refused")
    return _done("photograph")


def _answer() -> Response:
    values = dict(request.form.items())
    fields = following.questions(g.caller.request_id)
    told = {"answers": forms.answers_of(values, fields), "message": values.get("message", "").strip()}
    body = {name: value for name, value in told.items() if value}
    if not body:
        return _done("nothing")
    try:
        answering.answer(g.caller.request_id, load(_ANSWERS, body))
    except FaultyRequestError as error:
        return _shown(values, error=error)
    return _done("answers")


@blp.get("/photographs/<string:photograph_id>/<string:size>.jpg")
def show_owner_photograph(photograph_id: str, size: str) -> Response:
    """A photograph of the owner's, `small` or `full`."""
    if size not in ("small", "full"):
        raise UnknownRecordError("There is no such size.")
    small = size == "small"
    with reading(context().engine) as connection:
        row = photograph_of(connection, g.caller.request_id, photograph_id)
    headers = {**photographs.content_headers(row, thumbnail=small), **PRIVATE}
    return raw_response(photographs.blob_of(row, thumbnail=small), headers=headers, form=JPEG)


@blp.get("/reports/<string:report_id>.html")
def show_owner_report(report_id: str) -> Response:
    """A report as a page."""
    found = reports.file(report_id, "html")
    return raw_response(found, headers={**PRIVATE, "Content-Security-Policy": policy_of(found)}, form=HTML)


@blp.get("/reports/<string:report_id>.pdf")
def show_owner_report_pdf(report_id: str) -> Response:
    """A report as PDF."""
    named = {"Content-Disposition": f'inline; filename="{report_id}.pdf"'}
    return raw_response(reports.file(report_id, "pdf"), headers={**PRIVATE, **named}, form=PDF)


@blp.get("/data.json")
def export_owner_data() -> Response:
    """All that is kept of the request and its owner, to be saved as a file."""
    found = orjson.dumps(persons.export(g.caller.request_id), option=orjson.OPT_INDENT_2)
    named = {"Content-Disposition": 'attachment; filename="my-request.json"'}
    return raw_response(found, headers={**PRIVATE, **named}, form=JSON)
