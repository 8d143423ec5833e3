"""Signing in and out, and the list of sessions."""

from __future__ import annotations

from typing import Any

from flask import g, redirect, render_template, request, session, url_for

from models.costs import ATTEMPTS_OF_NETWORK, ATTEMPTS_SECONDS
from service.context import context
from service.desk import access, forms
from service.desk.blueprint import blp
from service.desk.users import sessions
from service.desk.users.sign_in import sign_in as begin
from service.errors import LimitError

# One text for every failure, so that nothing tells which of the three was wrong, or that a user is locked.
_FAILED = "This did not work. Check name, password and code. After several failures wait, then try again."


@blp.get("/sign-in")
def show_sign_in() -> Any:
    """Show the form to sign in."""
    return _page(None)


@blp.post("/sign-in")
def sign_in() -> Any:
    """Begin a session, with a new token and a new cookie of forms: what was known before opens nothing."""
    try:
        context().limits.attempt("sign-in", request.remote_addr, ATTEMPTS_OF_NETWORK, ATTEMPTS_SECONDS)
    except LimitError as error:
        return _page(_FAILED), 429, {"Retry-After": str(error.seconds)}
    token = begin(forms.text("name"), request.form.get("password", ""), forms.text("code"))
    if token is None:
        return _page(_FAILED), 401
    sessions.forget(request.cookies.get(access.COOKIE))
    session.clear()
    return access.give(redirect(access.own_path(request.args.get("next")), 303), token)  # type: ignore[arg-type]


def _page(failed: str | None) -> str:
    wanted = request.args.get("next")
    return render_template(
        "desk/sign_in.html",
        failed=failed,
        next=wanted,
        # By a link from elsewhere the browser keeps the cookie back; by one of our own it sends it.
        goal=access.own_path(wanted) if wanted and not failed else None,
        name=forms.text("name"),
    )


@blp.post("/sign-out")
def sign_out() -> Any:
    """End this session."""
    sessions.forget(request.cookies.get(access.COOKIE))
    session.clear()
    return access.take(redirect(url_for("desk.show_sign_in"), 303))  # type: ignore[arg-type]


@blp.get("/sessions")
def show_sessions() -> str:
    """List the user's sessions."""
    return render_template("desk/sessions.html", entries=sessions.entries(g.desk))


@blp.post("/sessions/end")
def end_sessions() -> Any:
    """End all sessions of the user, this one too."""
    sessions.end(g.desk)
    return redirect(url_for("desk.show_sign_in"), 303)


@blp.post("/sessions/<entry_id>/end")
def end_session(entry_id: str) -> Any:
    """End one session of the user."""
    sessions.end(g.desk, entry_id)
    return redirect(url_for("desk.show_sessions"), 303)
