"""Signing in at the desk: what opens it, what does not, and what each failure gives away (nothing)."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from apps import parts
from desks import PASSWORD, Read, Somebody, change, is_in, somebody, user_row
from flask import Flask

from models.costs import ATTEMPTS_OF_NETWORK, FREE_FAILURES, LOCK_SECONDS, SHORTEST_PASSWORD
from models.errors import InputError
from service.db.audit import entries
from service.db.engine import reading
from service.db.request_tables import DESK_USERS
from service.desk.access import own_path
from service.desk.users import passwords, records, second_factor

FAILED = "This did not work."


def audited(app: Flask) -> list[str]:
    with reading(parts(app).engine) as connection:
        return [row["action"] for row in entries(connection, None, 20)]


def test_name_password_and_code_open_the_desk(ann: Somebody) -> None:
    assert not is_in(ann)
    found = ann.sign_in()
    assert (found.status_code, found.headers["Location"]) == (303, "/desk")
    assert is_in(ann) and "Ann" in ann.get("/desk/sessions").text
    assert audited(ann.app)[:2] == ["desk_signed_in", "desk_user_added"]


WRONG = [
    {"name": "Bob"},
    {"name": ""},
    {"name": "a\x00b"},
    {"password": PASSWORD + "x"},
    {"password": ""},
    {"code": "000000"},
    {"code": ""},
    {"code": "١٢٣٤٥٦"},
]


def test_whatever_is_wrong_looks_the_same(ann: Somebody) -> None:
    looks = set()
    for wrong in WRONG:
        change(ann.app, DESK_USERS, failed=0, locked=None)
        found = ann.sign_in(**wrong)
        assert found.status_code == 401 and FAILED in found.text and not is_in(ann), wrong
        looks.add(Read(found.text).text)
    assert len(looks) == 1


def test_an_unknown_name_costs_a_check_of_a_password_too(
    slow_passwords: None, ann: Somebody, monkeypatch: pytest.MonkeyPatch
) -> None:
    checked: list[Any] = []
    real = passwords._HASHER.verify

    class Watched:
        def verify(self, kept: str, password: str) -> bool:
            checked.append(kept[:30])
            return real(kept, password)

        def check_needs_rehash(self, kept: str) -> bool:
            return False

    monkeypatch.setattr(passwords, "_HASHER", Watched())
    for more in ({"name": "Bob"}, {"password": "wrong"}, {}):
        ann.sign_in(**more)
    # All by the same parameters, so that each takes as long.
    assert len(checked) == 3 and {one[:29] for one in checked} == {"$argon2id$v=19$m=65536,t=3,p="}


def test_a_code_holds_once(ann: Somebody) -> None:
    code = ann.code()
    assert ann.sign_in(code=code).status_code == 303
    assert ann.sign_in(code=code).status_code == 401
    assert ann.sign_in(steps=-1).status_code == 401  # nor one of a step before it
    assert ann.sign_in(steps=1).status_code == 303


def test_a_code_may_be_a_step_off_and_no_more(ann: Somebody) -> None:
    seed, secret = user_row(ann).second_factor, parts(ann.app).settings.secret
    at = 1_700_000_010.0
    steps = {
        off: second_factor.step_of(secret, seed, ann.factor.at(at + 30 * off), at) for off in range(-3, 4)
    }
    now = int(at // 30)
    assert steps == {-3: None, -2: None, -1: now - 1, 0: now, 1: now + 1, 2: None, 3: None}


def test_failures_lock_for_a_time_that_grows(ann: Somebody) -> None:
    for _ in range(FREE_FAILURES - 1):
        ann.sign_in(password="wrong")
    assert user_row(ann).locked is None
    ann.sign_in(password="wrong")
    first = user_row(ann).locked - datetime.now(UTC)
    assert timedelta(seconds=LOCK_SECONDS - 5) < first <= timedelta(seconds=LOCK_SECONDS)
    refused = ann.sign_in()
    assert refused.status_code == 401 and FAILED in refused.text and not is_in(ann)
    assert user_row(ann).failed == FREE_FAILURES  # what is sent meanwhile does not make it longer
    change(ann.app, DESK_USERS, locked=datetime.now(UTC) - timedelta(seconds=1))
    ann.sign_in(password="wrong")
    second = user_row(ann).locked - datetime.now(UTC)
    assert timedelta(seconds=2 * LOCK_SECONDS - 5) < second <= timedelta(seconds=2 * LOCK_SECONDS)
    assert audited(ann.app).count("desk_locked") == 2
    change(ann.app, DESK_USERS, locked=datetime.now(UTC) - timedelta(seconds=1))
    assert ann.sign_in().status_code == 303
    assert (user_row(ann).failed, user_row(ann).locked) == (0, None)


def test_a_network_may_try_so_often(ann: Somebody) -> None:
    for _ in range(ATTEMPTS_OF_NETWORK):
        assert ann.sign_in(name="Bob", password="x").status_code == 401
    found = ann.sign_in()
    assert found.status_code == 429 and FAILED in found.text and int(found.headers["Retry-After"]) > 0
    assert not is_in(ann)


def test_a_removed_user_and_a_revoked_key_are_out_at_once(ann: Somebody) -> None:
    ann.sign_in()
    parts(ann.app).keys.revoke(ann.key_id)
    assert not is_in(ann) and ann.sign_in(steps=1).status_code == 401
    bob = somebody(ann.app, "Bob")
    bob.sign_in()
    assert is_in(bob)
    records.remove(parts(ann.app).engine, "Bob")
    assert not is_in(bob) and bob.sign_in(steps=1).status_code == 401
    assert "desk_user_removed" in audited(ann.app)


def test_a_new_password_ends_sessions_and_lock(ann: Somebody) -> None:
    ann.sign_in()
    for _ in range(FREE_FAILURES):
        ann.sign_in(password="wrong")
    new = "another long password"
    assert records.change_password(parts(ann.app).engine, "Ann", new, new_factor=False) is None
    assert not is_in(ann) and ann.sign_in(steps=1).status_code == 401
    assert ann.sign_in(steps=1, password=new).status_code == 303
    seed = records.change_password(parts(ann.app).engine, "Ann", new, new_factor=True)
    assert seed and ann.sign_in(steps=1, password=new).status_code == 401


def test_a_password_is_long_enough_and_not_repeated(desk_app: Flask) -> None:
    assert SHORTEST_PASSWORD == 12
    for password in ("short", "x" * 11, " " * 20, "x" * 201):
        with pytest.raises(InputError) as caught:
            records.add(parts(desk_app).engine, "Ann", password)
        assert password.strip() == "" or password not in str(caught.value)
    assert records.users(parts(desk_app).engine) == []


def test_an_outdated_hash_is_renewed(slow_passwords: None, ann: Somebody) -> None:
    import argon2

    change(ann.app, DESK_USERS, password=argon2.PasswordHasher(time_cost=1, memory_cost=8192).hash(PASSWORD))
    assert ann.sign_in().status_code == 303
    assert "m=65536,t=3" in user_row(ann).password


AWAY = [
    "//evil.example",
    "/\\evil.example",
    "\\\\evil.example",
    "https:evil.example",
    "https://evil.example/desk",
    "///evil.example",
    "/desk//evil.example",
    "/desk/../v1",
    "/desk@evil.example",
    "/desk.evil.example",
    "/deskevil",
    "javascript:alert(1)",
    "/desk/\r\nLocation: https://evil.example",
    "/desk\t//evil",
    "%2f%2fevil.example",
    " /desk",
]


def test_nobody_is_sent_elsewhere(ann: Somebody) -> None:
    for away in AWAY:
        change(ann.app, DESK_USERS, last_step=0)  # so that the code holds again
        found = ann.client.post(
            "/desk/sign-in",
            query_string={"next": away},
            data={"name": "Ann", "password": PASSWORD, "code": ann.code(), "csrf_token": ann.token()},
        )
        assert (found.status_code, found.headers["Location"]) == (303, "/desk"), away


def test_whoever_signs_in_comes_to_the_page_that_was_asked(ann: Somebody) -> None:
    found = ann.get("/desk/evidence?warned=true")
    assert found.status_code == 303
    target = found.headers["Location"]
    links = [one["href"] for one in Read(ann.get(target).text).all("a")]
    assert "/desk/evidence?warned=true" in links
    elsewhere = ann.get("/desk/sign-in", query_string={"next": "//evil.example"}).text
    assert [one["href"] for one in Read(elsewhere).all("a")][-1] == "/desk"
    action = Read(ann.get(target).text).all("form")[0]["action"]
    assert ann.sign_in(path=action).headers["Location"] == "/desk/evidence?warned=true"
    assert (
        own_path("/desk/evidence?warned=true") == "/desk/evidence?warned=true" and own_path(None) == "/desk"
    )
