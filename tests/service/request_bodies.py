"""Requests for appraisals, as the tests send them, and the owner who follows one."""

from __future__ import annotations

from typing import Any

from apps import caller_of
from asking import Caller
from flask import Flask
from websites import HERE, form_of

IT: dict[str, Any] = {"maker": "ostvik", "model": "DAL", "year": 1965, "condition": {"neck": 2}}
CONTACT = {"name": "Ronja Eklund", "email": "ronja@example.org", "phone": "+46 70 000 00 00"}
BODY: dict[str, Any] = {"instrument": IT, "contact": CONTACT, "purpose": "insurance", "consent": True}
REQUESTS = "/v1/requests"


def specialist_of(app: Flask) -> Caller:
    return caller_of(app, "requests")


def asked(caller: Caller, query: str = "", **more: Any) -> Any:
    """The answer to a new request."""
    headers = more.pop("headers", {})
    return caller.post(f"{REQUESTS}{query}", {**BODY, **more}, **headers)


def made(caller: Caller, query: str = "", **more: Any) -> dict[str, Any]:
    """A new request, as the answer says it."""
    found = asked(caller, query, **more)
    assert found.status_code == 201, found.text
    answer: dict[str, Any] = found.json
    return answer


def owner_of(app: Flask, request: dict[str, Any]) -> Caller:
    """The owner, who has the private link of a request."""
    return Caller(app, request["follow"].removeprefix("/follow/"))


def path_of(request: dict[str, Any]) -> str:
    return f"{REQUESTS}/{request['id']}"


def patched(caller: Caller, request: dict[str, Any], **changes: Any) -> Any:
    headers = changes.pop("headers", {})
    return caller.ask("patch", path_of(request), changes, **headers)


def moved(caller: Caller, request: dict[str, Any], *states: str) -> dict[str, Any]:
    """The request after these moves by the caller."""
    answer: dict[str, Any] = {}
    for state in states:
        found = patched(caller, request, state=state)
        assert found.status_code == 200, found.text
        answer = found.json
    return answer


def visitor_of(app: Flask) -> tuple[Caller, dict[str, str]]:
    """A visitor of a website with a form, and the headers that its page sends."""
    return form_of(app), HERE
