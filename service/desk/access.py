"""Find the user of the desk by the session of the cookie, and refuse everyone else."""

from __future__ import annotations

import re
from typing import Any

from flask import Flask, Request, Response, g, redirect, request, url_for
from flask.sessions import SecureCookieSessionInterface

from models.costs import SESSION_HOURS
from service.context import context
from service.desk.users import sessions
from service.desk.users.records import SCOPES
from service.keys.callers import Caller

PREFIX = "/desk"
COOKIE = "bookmatch_desk"
OPEN = ("desk.show_sign_in", "desk.sign_in", "desk.static")  # endpoints for those who are not signed in
# A path of the desk that a browser cannot take for an address elsewhere.
_OWN = re.compile(r"/desk(/(?!\.)[\w.~-]+)*(\?[\w.~=&%+-]*)?", re.ASCII)


class FormCookie(SecureCookieSessionInterface):
    """Flask's own cookie, which holds what forms are checked by; for TLS alone where the desk has it."""

    def open_session(self, app: Flask, request: Request) -> Any:
        """Read the cookie for the desk alone; the API has none, and need not look for it."""
        if is_desk(request.path):
            return super().open_session(app, request)
        return self.make_null_session(app)

    def get_cookie_secure(self, app: Flask) -> bool:
        return by_tls()


def is_desk(path: str) -> bool:
    """Say whether this is a path of the desk."""
    return path.startswith(PREFIX) and path[len(PREFIX) :][:1] in ("", "/")


def by_tls() -> bool:
    """Say whether people reach the desk by TLS."""
    return request.is_secure or context().settings.public_url.startswith("https:")


def identify() -> None:
    """Find the session by the cookie. The user's key is the caller, so that records say who did what."""
    if is_desk(request.path):
        g.desk = found = sessions.find(request.cookies.get(COOKIE))
        if found is not None:
            g.caller = Caller(found.key_id, frozenset(SCOPES))


def require_session() -> Any:
    """Send those who are not signed in to the page for it; a script and a form are refused."""
    if g.desk is not None or request.endpoint in OPEN:
        return None
    if (
        request.method not in ("GET", "HEAD")
        or request.headers.get("Sec-Fetch-Mode", "navigate") != "navigate"
    ):
        return Response("Sign in first.", 401, mimetype="text/plain")
    wanted = request.full_path.removesuffix("?")
    target = url_for("desk.show_sign_in", next=wanted if wanted != PREFIX else None)
    return redirect(target, 303)


def own_path(wanted: str | None) -> str:
    """Return this path if it is one of the desk, else the queue's: nobody is sent elsewhere by a link."""
    return wanted if wanted and _OWN.fullmatch(wanted) else PREFIX


def give(response: Response, token: str) -> Response:
    """Put the token of a session into the cookie."""
    response.set_cookie(
        COOKIE,
        token,
        max_age=SESSION_HOURS * 3600,
        path=PREFIX,
        secure=by_tls(),
        httponly=True,
        samesite="Strict",
    )
    return response


def take(response: Response) -> Response:
    """Take the cookie back."""
    response.delete_cookie(COOKIE, path=PREFIX, secure=by_tls(), httponly=True, samesite="Strict")
    return response
