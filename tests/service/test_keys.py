"""Keys: who gets in, what is kept of a key, and what becomes of a revoked one."""

from __future__ import annotations

import hashlib
import hmac
import json
from html.parser import HTMLParser
from pathlib import Path

import pytest
from apps import caller_of, keys_of, parts
from asking import DAL, SECRET, Caller, assert_problem
from click.testing import CliRunner, Result
from flask import Flask
from sqlalchemy import Engine

from service.cli import main
from service.db.engine import REVISION, open_engine
from service.errors import KeyInvalidError, UnknownRecordError
from service.keys.callers import Callers
from service.keys.records import KeyRing


def callers(engine: Engine, secret: str = SECRET, seconds: float = 0.0) -> Callers:
    return Callers(engine, KeyRing(engine, secret), seconds)


def test_a_key_opens_what_its_scope_says(own_app: Flask) -> None:
    assert caller_of(own_app, "valuations").value({}).status_code == 201
    found = caller_of(own_app, "admin").value({})
    assert "valuations" in assert_problem(found, 403, "scope")["detail"]


def test_health_and_documentation_need_no_key(own_app: Flask) -> None:
    for path in ("/healthz", "/readyz", "/openapi.json", "/docs"):
        assert Caller(own_app, None).get(path).status_code == 200


def test_everything_under_v1_needs_one(own_app: Flask) -> None:
    for rule in own_app.url_map.iter_rules():
        if rule.rule.startswith("/v1") and not rule.rule.endswith("/verification"):  # anyone can verify
            path = rule.rule.replace("<string:", "").replace(">", "")
            for method in {"GET", "POST", "PUT", "PATCH", "DELETE"} & (rule.methods or set()):
                found = own_app.test_client().open(path, method=method, json=DAL)
                assert_problem(found, 401, "key-missing")


@pytest.mark.parametrize(
    "key",
    [
        "x",
        "bmk",
        "bmk_",
        "bmk__",
        "bmk_000000000000_" + "a" * 43,
        "sk_live_1234",
        "'; DROP TABLE api_key; --",
    ],
)
def test_a_made_up_key(own_app: Flask, key: str) -> None:
    assert_problem(Caller(own_app, key).value({}), 401, "key-invalid")


def test_a_key_with_one_character_changed(own_app: Flask) -> None:
    key = caller_of(own_app).key or ""
    for at in (5, 20, len(key) - 1):
        other = key[:at] + ("A" if key[at] != "A" else "B") + key[at + 1 :]
        assert_problem(Caller(own_app, other).value({}), 401, "key-invalid")


def test_a_key_longer_than_any(own_app: Flask) -> None:
    assert_problem(Caller(own_app, "x" * 5000).value({}), 401, "key-missing")


def test_the_word_bearer_in_any_case(own_app: Flask) -> None:
    key = caller_of(own_app).key
    found = own_app.test_client().get("/v1/vocabulary", headers={"Authorization": f"bEARER   {key} "})
    assert found.status_code == 200


def test_only_a_digest_under_the_servers_secret_is_kept(own_app: Flask) -> None:
    key = caller_of(own_app).key or ""
    with parts(own_app).engine.connect() as connection:
        tables = ("api_key", "api_key_secret")
        rows = [connection.exec_driver_sql(f"SELECT * FROM {name}").mappings().one() for name in tables]
    assert not any(key in str(row) or key.split("_", 2)[2] in str(row) for row in rows)
    assert rows[1]["digest"] == hmac.new(SECRET.encode(), key.encode(), hashlib.sha256).hexdigest()


def test_a_key_of_another_secret_is_not_known(own_app: Flask) -> None:
    key = caller_of(own_app).key or ""
    with pytest.raises(KeyInvalidError):
        callers(parts(own_app).engine, "another secret of the same length, or so").caller(key)


def test_keys_are_never_alike(own_app: Flask) -> None:
    made = {keys_of(own_app).create("many", ["valuations"]) for _ in range(50)}
    assert len({key_id for key_id, _ in made}) == len({key for _, key in made}) == 50


def test_a_revoked_key_opens_nothing_and_its_valuations_stay(own_app: Flask) -> None:
    caller = caller_of(own_app)
    made = caller.value({})
    key_id = (caller.key or "").split("_")[1]
    keys_of(own_app).revoke(key_id)
    assert_problem(caller.value({}), 401, "key-invalid")
    assert caller_of(own_app).get(made.headers["Location"]).data == made.data
    first = keys_of(own_app).entries()[0]
    keys_of(own_app).revoke(key_id)  # again: nothing happens, and the moment of the first time stays
    assert keys_of(own_app).entries()[0] == first and first.revoked is not None
    with pytest.raises(UnknownRecordError):
        keys_of(own_app).revoke("nobody")


def test_a_key_is_looked_up_once_in_so_many_seconds(own_app: Flask, monkeypatch: pytest.MonkeyPatch) -> None:
    known = callers(parts(own_app).engine, seconds=5)
    clock = [100.0]
    monkeypatch.setattr("service.keys.callers.time.monotonic", lambda: clock[0])
    key_id, key = keys_of(own_app).create("cached", ["valuations"])
    assert known.caller(key).key_id == key_id
    keys_of(own_app).revoke(key_id)
    clock[0] += 4.9
    assert known.caller(key).key_id == key_id
    clock[0] += 0.2
    with pytest.raises(KeyInvalidError):
        known.caller(key)


# ── the command ──────────────────────────────────────────────────────────────


@pytest.fixture
def environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The settings of a service that was never started."""
    monkeypatch.setenv("BOOKMATCH_STORE", str(tmp_path / "store"))
    monkeypatch.setenv("BOOKMATCH_DATABASE", f"sqlite:///{tmp_path}/b.sqlite3")
    monkeypatch.setenv("BOOKMATCH_SECRET", SECRET)
    return tmp_path


def run(*words: str) -> Result:
    return CliRunner().invoke(main, words)


def test_the_command_prints_a_key_once_and_lists_and_revokes_it(environment: Path) -> None:
    assert run("migrate").stdout == f"{REVISION}\n"
    made = run("keys", "create", "the website", "--scope", "valuations", "--scope", "admin")
    key = made.stdout.strip()
    assert made.stdout == f"{key}\n" and key.startswith("bmk_")
    ring = callers(open_engine(f"sqlite:///{environment}/b.sqlite3"))
    assert ring.caller(key).scopes == {"valuations", "admin"}
    listed = run("keys", "list").stdout
    assert "the website" in listed and "valid" in listed and key not in listed
    rows = json.loads(run("keys", "list", "--json").stdout)
    assert [(row["label"], row["scopes"], row["revoked"]) for row in rows] == [
        ("the website", "admin valuations", None)
    ]
    assert run("keys", "revoke", rows[0]["id"]).stdout == f"{rows[0]['id']}\n"
    assert "revoked" in run("keys", "list").stdout
    with pytest.raises(KeyInvalidError):
        ring.caller(key)


def test_the_command_rotates_a_key_and_makes_publishable_ones(environment: Path) -> None:
    assert run("migrate").exit_code == 0
    first = run("keys", "create", "the shop").stdout.strip()
    key_id = first.split("_")[1]
    second = run("keys", "rotate", key_id, "--overlap-hours", "2").stdout.strip()
    public = run("keys", "create", "the form", "--website", "--origin", "https://guitars.example").stdout
    known = callers(open_engine(f"sqlite:///{environment}/b.sqlite3"))
    assert known.caller(first) == known.caller(second) and second != first
    assert known.caller(public.strip()).origins == {"https://guitars.example"}
    known.write_uses()
    text = run("keys", "list").stdout
    assert "expires" in text and "https://guitars.example" in text and "never used" not in text
    rows = json.loads(run("keys", "list", "--json").stdout)
    assert [(row["kind"], len(row["secrets"]), bool(row["used"])) for row in rows] == [
        ("system", 2, True),
        ("website", 1, True),
    ]


class Scripts(HTMLParser):
    """Collects the attributes of every script element."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[dict[str, str | None]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "script":
            self.found.append(dict(attrs))


def test_a_website_key_comes_with_the_line_for_its_page(
    environment: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run("migrate").exit_code == 0
    asked = ("keys", "create", "form", "--website", "--origin", "https://guitars.example")
    monkeypatch.delenv("BOOKMATCH_URL", raising=False)
    monkeypatch.setenv("BOOKMATCH_PUBLIC_URL", "http://127.0.0.1:8123")
    for more, address in (
        ((), "http://127.0.0.1:8123"),
        (("--url", 'https://values.example/"><b>'), 'https://values.example/"><b>'),
    ):
        made = run(*asked, *more)
        assert made.stdout.count("\n") == 1 and made.stdout.startswith("bmkw_")  # the key alone, for scripts
        assert "may stand in a public page" in made.stderr and "https://guitars.example only" in made.stderr
        (script,) = Scripts(made.stderr).found
        assert (script["data-key"], script["src"]) == (made.stdout.strip(), f"{address}/form/embed.js")
        assert "<b>" not in made.stderr
    rotated = run("keys", "rotate", made.stdout.split("_")[1])
    (again,) = Scripts(rotated.stderr).found
    assert again == {
        **script,
        "data-key": rotated.stdout.strip(),
        "src": "http://127.0.0.1:8123/form/embed.js",
    }
    plain = run("keys", "create", "a script")
    assert plain.stderr == run("keys", "rotate", plain.stdout.split("_")[1]).stderr == ""


def test_wrong_use_of_the_command_is_one_line(environment: Path) -> None:
    assert run("migrate").exit_code == 0
    for code, words in (
        (2, ("keys", "create")),
        (2, ("keys", "create", "x", "--scope", "everything")),
        (1, ("keys", "create", "x", "--website")),
        (1, ("keys", "create", "x", "--origin", "https://guitars.example")),
        (1, ("keys", "create", "x", "--website", "--origin", "https://guitars.example/")),
        (
            1,
            (
                "keys",
                "create",
                "x",
                "--website",
                "--origin",
                "https://guitars.example",
                "--scope",
                "admin",
            ),
        ),
        (2, ("keys", "rotate", "nobody", "--overlap-hours", "-1")),
        (1, ("keys", "rotate", "nobody")),
        (1, ("keys", "revoke", "nobody")),
    ):
        found = run(*words)
        assert (found.exit_code, found.stdout) == (code, "")
        assert found.stderr.startswith("Error: ") and found.stderr.count("\n") == 1


def test_a_database_that_was_not_migrated_is_one_line(environment: Path) -> None:
    found = run("keys", "create", "x")
    assert found.exit_code == 1 and found.stderr.count("\n") == 1
    assert "bookmatch migrate" in found.stderr
