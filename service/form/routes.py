"""GET and POST /form, the script that puts the form into anybody's page, and the files of all pages."""

from __future__ import annotations

from http import HTTPStatus

from flask import Blueprint, Response, abort, render_template, request
from werkzeug.exceptions import RequestEntityTooLarge

from service.context import context
from service.errors import LimitError, NoRoomError, ProofNeededError, RequestStateError
from service.form import follow, requesting
from service.form.files import all_files, mark
from service.form.pages import (
    ElsewhereError,
    language_wanted,
    page_words,
    said,
)
from service.http.hooks.rate_limits import uncounted
from service.http.responses import HTML, raw_response

blp = Blueprint("form", __name__, template_folder="templates")
blp.register_blueprint(follow.blp)
_FOR_ALL = {"Access-Control-Allow-Origin": "*"}  # the same bytes for everybody, without anybody's data
_NOTHING = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
_FOR_EVER, _FOR_MINUTES = "public, max-age=31536000, immutable", "public, max-age=300"


@blp.get("/form")
def show_form() -> Response:
    """The form's own page, which works without script too."""
    own = requesting.own_key()
    if own is None:
        return said("form.off", HTTPStatus.NOT_FOUND, title="form.off_title")
    return requesting.form_page(own, language_wanted(), {})


@blp.post("/form")
def send_form() -> Response:
    """Take the request of a browser without script; the answer leads to the owner's page."""
    own = requesting.own_key()
    if own is None:
        return said("form.off", HTTPStatus.NOT_FOUND, title="form.off_title")
    return requesting.sent(own)


@blp.get("/form/fragment")
def show_fragment() -> Response:
    """The form alone, for the script that puts it into a page of an origin that some website key names."""
    language = language_wanted()
    words = page_words(language)
    made = render_template("form/fragment.html", **words, **requesting.fragment_values(language, {}))
    found = Response(made, headers={"Content-Security-Policy": _NOTHING, "Vary": "Origin"}, mimetype=HTML)
    origin = request.headers.get("Origin")
    if origin is not None and origin in context().callers.origins():
        found.headers["Access-Control-Allow-Origin"] = origin
    return found


@blp.get("/form/embed.js")
@uncounted
def show_script() -> Response:
    """The script of the one line for anybody's page; its address stays the same."""
    return _file("embed.js", _FOR_MINUTES)


@blp.get("/form/files/<string:version>/<path:name>")
@uncounted
def show_file(version: str, name: str) -> Response:
    """A file of ours, which changes its address when any of them changes."""
    if name not in all_files():
        abort(404)
    return _file(name, _FOR_EVER if version == mark() else _FOR_MINUTES)


def _file(name: str, kept: str) -> Response:
    found = all_files()[name]
    headers = {**_FOR_ALL, "Cache-Control": kept, "Content-Security-Policy": _NOTHING}
    return raw_response(found.body, headers=headers, form=found.kind)


# ── what a person is told in place of a problem document ─────────────────────


@blp.errorhandler(LimitError)
@blp.errorhandler(ProofNeededError)
def say_later(error: LimitError | ProofNeededError) -> Response:
    """Say when to try again; without script no proof of work can be made, so the next hour is the time."""
    seconds = error.seconds if isinstance(error, LimitError) else requesting.UNPROVED_SECONDS
    found = said("form.later", HTTPStatus.TOO_MANY_REQUESTS, seconds=seconds)
    found.headers["Retry-After"] = str(seconds)
    return found


@blp.errorhandler(ElsewhereError)
def say_elsewhere(_: ElsewhereError) -> Response:
    """Say that nothing was done."""
    return said("follow.refused_elsewhere", HTTPStatus.FORBIDDEN)


@blp.errorhandler(RequestEntityTooLarge)
def say_too_large(_: RequestEntityTooLarge) -> Response:
    """Say how large the photographs may be."""
    megabytes = context().settings.photograph_limit // 2**20
    return said("form.too_large", HTTPStatus.REQUEST_ENTITY_TOO_LARGE, megabytes=megabytes)


@blp.errorhandler(RequestStateError)
def say_closed(_: RequestStateError) -> Response:
    """Say that the request takes no change any more."""
    return said("follow.refused_closed", HTTPStatus.CONFLICT)


@blp.errorhandler(NoRoomError)
def say_failed(_: NoRoomError) -> Response:
    """Say that it is not the owner's fault."""
    return said("form.failed", HTTPStatus.INSUFFICIENT_STORAGE)
