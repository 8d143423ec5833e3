"""An owner's link opens one request, and nothing of the others that came by the form of the same website."""

from __future__ import annotations

from typing import Any

import pytest
from asking import Caller, assert_problem
from flask import Flask
from owners import send
from pictures import JPEG, jpeg
from reporting import issued, settled, unprinted
from request_bodies import made, moved, owner_of, patched, path_of, specialist_of, visitor_of

# A body that is taken, for each operation that has one.
BODIES: dict[str, Any] = {"patch": {"state": "withdrawn"}, "post": {"answers": {"year": 1965}}}


@pytest.fixture
def neighbours(shared_app: Flask) -> tuple[Caller, dict[str, str], str]:
    """The owner of one request; the ids of another one, its photograph and its report; and its link."""
    visitor, here = visitor_of(shared_app)
    mine, other = (made(visitor, headers=here) for _ in range(2))
    specialist = specialist_of(shared_app)
    photograph = send(owner_of(shared_app, other), f"{path_of(other)}/photographs", jpeg()).json["id"]
    settled(specialist)
    moved(specialist, other, "reviewing")
    graded = {"maker": "Ostvik", "model": "Dal", "year": 1965}
    assert patched(specialist, other, graded=graded).status_code == 200
    with unprinted():
        report = issued(specialist, other["id"])["id"]
    moved(specialist, other, "reviewing")
    ids = {"request_id": other["id"], "photograph_id": photograph, "report_id": report}
    return owner_of(shared_app, mine), ids, str(mine["follow"])


def asked(owner: Caller, method: str, path: str) -> Any:
    if path.endswith("/photographs") and method == "post":
        return owner.post(f"{path}?view=front", jpeg(), **{"Content-Type": JPEG})
    return owner.ask(method, path, BODIES.get(method))


def test_no_operation_shows_or_changes_another_owners_request(
    neighbours: tuple[Caller, dict[str, str], str],
) -> None:
    owner, ids, _ = neighbours
    document = owner.get("/openapi.json").json
    open_to_owners = [
        (method, path)
        for path, item in document["paths"].items()
        for method, operation in item.items()
        if method != "parameters" and {"owner_link": []} in operation.get("security", [])
    ]
    assert len(open_to_owners) >= 15
    for method, path in open_to_owners:
        assert_problem(asked(owner, method, path.format(**ids)), 404, "record")


def test_nor_does_the_page_of_another_owner(neighbours: tuple[Caller, dict[str, str], str]) -> None:
    owner, ids, follow = neighbours
    for below in (
        f"photographs/{ids['photograph_id']}/full.jpg",
        f"photographs/{ids['photograph_id']}/small.jpg",
        f"reports/{ids['report_id']}.html",
        f"reports/{ids['report_id']}.pdf",
    ):
        found = owner.app.test_client().get(f"{follow}/{below}")
        assert found.status_code == 404 and found.mimetype == "text/html", below
    assert owner.app.test_client().get(follow).status_code == 200
