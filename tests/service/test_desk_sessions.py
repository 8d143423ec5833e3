"""Sessions of the desk: their cookie, their end, and what the database knows of them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from apps import parts
from desks import PASSWORD, Read, Somebody, change, cookie_of, is_in, somebody, token_in
from sqlalchemy import select

from service.db import pruning
from service.db.engine import reading
from service.db.request_tables import DESK_SESSIONS, DESK_USERS
from service.desk.access import COOKIE


def test_the_cookie_is_for_the_desk_alone(ann: Somebody) -> None:
    for url, secure in (("http://localhost", False), ("https://localhost", True)):
        ann.client = ann.app.test_client()
        token = token_in(ann.client.get("/desk/sign-in", base_url=url).text)
        form = {"name": "Ann", "password": PASSWORD, "code": ann.code(int(secure)), "csrf_token": token}
        found = ann.client.post("/desk/sign-in", data=form, base_url=url)
        cookies = found.headers.getlist("Set-Cookie")
        mine = next(one for one in cookies if one.startswith(COOKIE))
        for said in ("HttpOnly", "SameSite=Strict", "Path=/desk"):
            assert said in mine
        assert "Domain" not in mine and ("Secure" in mine) is secure


def test_the_cookie_of_before_opens_nothing_after(ann: Somebody) -> None:
    ann.client.set_cookie(COOKIE, "fixed", path="/desk")
    ann.sign_in()
    fresh = cookie_of(ann).value
    assert fresh != "fixed" and len(fresh) >= 43
    other = somebody(ann.app, "Bob")
    other.client.set_cookie(COOKIE, "fixed", path="/desk")
    assert not is_in(other)
    # And whoever signs in again leaves the session of before behind.
    ann.sign_in(steps=1)
    other.client.set_cookie(COOKIE, fresh, path="/desk")
    assert not is_in(other) and is_in(ann)


def test_the_database_holds_no_token_and_no_secret_of_the_app(ann: Somebody) -> None:
    ann.sign_in()
    with reading(parts(ann.app).engine) as connection:
        kept = str([*connection.execute(select(DESK_SESSIONS)), *connection.execute(select(DESK_USERS))])
    assert cookie_of(ann).value not in kept and PASSWORD not in kept and ann.factor.secret not in kept


def test_a_session_ends_after_half_an_hour_of_no_use_and_after_twelve_hours(ann: Somebody) -> None:
    ann.sign_in()
    now = datetime.now(UTC)
    for values, stays in (
        ({"seen": now - timedelta(minutes=29)}, True),
        ({"seen": now - timedelta(minutes=31)}, False),
        ({"seen": now, "created": now - timedelta(hours=11, minutes=59)}, True),
        ({"seen": now, "created": now - timedelta(hours=12, minutes=1)}, False),
    ):
        change(ann.app, DESK_SESSIONS, **values)
        assert is_in(ann) is stays
    assert pruning.prune(parts(ann.app).engine)["sessions of the desk"] == 1


def test_a_use_is_noted(ann: Somebody) -> None:
    ann.sign_in()
    change(ann.app, DESK_SESSIONS, seen=datetime.now(UTC) - timedelta(minutes=20))
    assert is_in(ann)
    with reading(parts(ann.app).engine) as connection:
        seen = connection.execute(select(DESK_SESSIONS.c.seen)).scalar_one()
    assert datetime.now(UTC) - seen < timedelta(seconds=30)


def test_sessions_end_one_by_one_and_all_at_once(ann: Somebody) -> None:
    ann.sign_in()
    second = Somebody(ann.app, "Ann", ann.factor)
    second.sign_in(steps=1)
    page = second.get("/desk/sessions").text
    actions = [one["action"] for one in Read(page).all("form") if "/sessions/" in str(one["action"])]
    assert len(actions) == 3  # one for each session, and one for all
    ends = [str(one) for one in actions if str(one) != "/desk/sessions/end"]
    assert second.send(ends[1]).status_code == 303  # the older one
    assert is_in(second) and not is_in(ann)
    assert second.send("/desk/sessions/0000000000000000/end").status_code == 404
    bob = somebody(ann.app, "Bob")
    bob.sign_in()
    assert bob.send(ends[0]).status_code == 404 and is_in(second)  # of somebody else
    assert bob.send("/desk/sessions/end").status_code == 303
    assert not is_in(bob) and is_in(second)


def test_signing_out_ends_the_session(ann: Somebody) -> None:
    ann.sign_in()
    token = cookie_of(ann).value
    assert ann.send("/desk/sign-out").status_code == 303
    assert cookie_of(ann) is None
    ann.client.set_cookie(COOKIE, token, path="/desk")
    assert not is_in(ann)
