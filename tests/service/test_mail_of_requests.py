"""E-mails tell what happens to a request, through the service itself, and erasing an owner ends them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import Caller
from flask import Flask
from mail_ground import Clock, parsed, text_of
from pictures import jpeg
from reporting import issued, requested, settled
from request_bodies import CONTACT, made, moved, owner_of, patched, path_of, specialist_of

from service.mail.sender import send_due


@pytest.fixture
def app(store: Path, new_database: NewDatabase, tmp_path: Path) -> Iterator[Flask]:
    app = make_app(
        store,
        new_database("sqlite"),
        key_seconds=0,
        mail=f"file:{tmp_path / 'mail'}",
        mail_specialist="specialist@example.org",
    )
    yield app
    parts(app).engine.dispose()


def arrived(app: Flask, tmp_path: Path) -> list[tuple[str, str]]:
    """Send what is due; recipient and subject of each e-mail that came of it, without ids."""
    before = set((tmp_path / "mail").glob("*.eml"))
    send_due(parts(app).engine, parts(app).settings, clock=Clock())
    new = sorted(set((tmp_path / "mail").glob("*.eml")) - before, key=lambda p: int(p.name.partition("-")[0]))
    found = [parsed(path.read_bytes()) for path in new]
    return [(str(one["To"]), re.sub(r"req_\w+", "…", str(one["Subject"]))) for one in found]


def test_every_change_is_told_to_whom_it_concerns(app: Flask, tmp_path: Path) -> None:
    specialist, owner_address = specialist_of(app), CONTACT["email"]
    request = made(specialist, language="de")
    owner = owner_of(app, request)
    assert arrived(app, tmp_path) == [
        (owner_address, "Ihre Anfrage … ist angekommen"),
        ("specialist@example.org", "New request …"),
    ]
    moved(specialist, request, "reviewing")
    assert arrived(app, tmp_path) == []
    patched(specialist, request, state="waiting_for_owner", message="Is the <neck> straight?")
    assert arrived(app, tmp_path) == [(owner_address, "Eine Frage zu Ihrer Anfrage …")]
    asked = max((tmp_path / "mail").glob("*.eml"), key=lambda path: int(path.name.partition("-")[0]))
    assert "\n> Is the <neck> straight?\n" in text_of(parsed(asked.read_bytes()))
    for view in ("front", "back"):
        photograph(owner, request["id"], view)
    assert arrived(app, tmp_path) == [("specialist@example.org", "New photographs for request …")]
    assert owner.post(f"{path_of(request)}/answers", {"message": "yes"}).status_code == 200
    assert arrived(app, tmp_path) == [("specialist@example.org", "Answer to request …")]
    patched(specialist, request, state="declined", reason="too far away")
    assert arrived(app, tmp_path) == [(owner_address, "Zu Ihrer Anfrage …")]
    moved(specialist, request, "reviewing")
    moved(owner, request, "withdrawn")
    assert arrived(app, tmp_path) == [("specialist@example.org", "Request … was withdrawn")]


def test_a_report_and_its_correction_are_told_with_the_specialist_s_word(app: Flask, tmp_path: Path) -> None:
    specialist = caller_of(app, "requests", "valuations")
    settled(specialist, reply_reported="Ask me anything. <b>")
    request_id, _ = requested(app)
    first = issued(specialist, request_id)
    assert arrived(app, tmp_path) == [("owner@home.example", "Your report is ready: request …")]
    (path,) = (tmp_path / "mail").glob("*.eml")
    assert "\n> Ask me anything. <b>\n" in text_of(parsed(path.read_bytes()))
    taken_up = specialist.ask("patch", f"/v1/requests/{request_id}", {"state": "reviewing"})
    assert taken_up.status_code == 200
    issued(specialist, request_id, replaces=first["id"], reason="a wrong year")
    assert arrived(app, tmp_path) == [("owner@home.example", "A new version of your report: request …")]


def photograph(owner: Caller, request_id: str, view: str) -> None:
    path = f"/v1/requests/{request_id}/photographs?view={view}"
    assert owner.post(path, jpeg(), **{"Content-Type": "image/jpeg"}).status_code == 201


def test_the_link_of_an_e_mail_opens_the_request(app: Flask, tmp_path: Path) -> None:
    request = made(specialist_of(app))
    arrived(app, tmp_path)
    (path,) = (tmp_path / "mail").glob("1-*.eml")
    (token,) = re.findall(r"http://127\.0\.0\.1:8000/follow/(bmf_\S+)\n", text_of(parsed(path.read_bytes())))
    assert Caller(app, token).get(path_of(request)).json["id"] == request["id"]


def test_erasing_an_owner_leaves_no_e_mail_sent_or_queued(app: Flask, tmp_path: Path) -> None:
    specialist = specialist_of(app)
    request, other = made(specialist), made(specialist)
    arrived(app, tmp_path)
    moved(specialist, request, "reviewing")
    patched(specialist, request, state="waiting_for_owner", message="Ronja, is the neck straight?")
    assert specialist.ask("delete", f"{path_of(request)}/contact", None).status_code in (200, 204)
    assert arrived(app, tmp_path) == []
    files = list((tmp_path / "mail").iterdir())
    assert len(files) == 2 and all(other["id"].encode() in path.read_bytes() for path in files)
    listed = specialist.get("/v1/e-mails").json["emails"]
    assert {one["state"] for one in listed if one["request"] == request["id"]} == {"sent"}
