"""The blueprint of the desk: its hooks, its headers, and errors as pages."""

from __future__ import annotations

import hmac
from typing import Any

from flask import Blueprint, Flask, Response, g, render_template, request
from flask_wtf.csrf import CSRFProtect

from models.costs import SESSION_HOURS
from service.desk import access, words
from service.http.responses import HTML
from service.problems import PROBLEM_JSON
from service.settings import Settings

blp = Blueprint(
    "desk",
    __name__,
    url_prefix=access.PREFIX,
    template_folder="templates",
    static_folder="static",
    static_url_path="/static",
)
_FORMS = CSRFProtect()
_POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
# `no-transform`, since a page holds the token of its forms beside texts of others (BREACH).
_HEADERS = {
    "Cache-Control": "no-store, no-transform",
    "Referrer-Policy": "same-origin",
    "X-Robots-Tag": "noindex",
}


def install(app: Flask, settings: Settings) -> None:
    """Register the desk with an application."""
    app.secret_key = hmac.digest(settings.secret.encode(), b"forms of the desk", "sha256")
    app.session_interface = access.FormCookie()
    app.config.update(
        SESSION_COOKIE_NAME="bookmatch_form",
        SESSION_COOKIE_PATH=access.PREFIX,
        SESSION_COOKIE_SAMESITE="Strict",
        WTF_CSRF_CHECK_DEFAULT=False,  # `check_form` checks the desk alone: keys need no such thing
        WTF_CSRF_TIME_LIMIT=SESSION_HOURS * 3600,
        # A proxy need not pass on the host that the browser asked; the token and SameSite do without it.
        WTF_CSRF_SSL_STRICT=False,
    )
    _FORMS.init_app(app)
    app.register_blueprint(blp)


blp.before_request(access.require_session)


@blp.before_request
def check_form() -> None:
    """Refuse a form that no page of this session sent. Raises CSRFError."""
    _FORMS.protect()


@blp.after_request
def finish(response: Response) -> Response:
    """Add the desk's headers; make a page of a problem document."""
    if response.mimetype == PROBLEM_JSON:
        problem: Any = response.get_json()
        response.set_data(render_template("desk/problem.html", problem=problem))
        response.mimetype = HTML
        response.headers.pop("WWW-Authenticate", None)
    response.headers.setdefault("Content-Security-Policy", _POLICY)  # an issued report has one of its own
    for name, value in _HEADERS.items():
        response.headers[name] = value
    return response


@blp.context_processor
def common() -> dict[str, Any]:
    """Return the names that every page knows."""
    return {"user": g.get("desk"), "words": words, "here": request.path}
