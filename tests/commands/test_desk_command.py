"""`bookmatch desk`: who may sign in, from the terminal."""

from __future__ import annotations

from pathlib import Path

import pyotp
import pytest
from click.testing import CliRunner, Result

from service.cli import main
from service.db.audit import entries
from service.db.engine import open_engine, reading
from service.db.migrate import upgrade

SECRET = "a secret of the tests, long enough to be taken"
GOOD = "a long enough password\n"


@pytest.fixture
def database(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    address = f"sqlite:///{tmp_path}/desk.sqlite3"
    for name, value in (("STORE", str(tmp_path)), ("DATABASE", address), ("SECRET", SECRET)):
        monkeypatch.setenv(f"BOOKMATCH_{name}", value)
    engine = open_engine(address)
    upgrade(engine)
    engine.dispose()
    return address


def call(*words: str, sent: str = "") -> Result:
    return CliRunner().invoke(main, ["desk", *words], input=sent)


def test_a_user_is_added_and_the_app_is_told_once(database: str) -> None:
    made = call("add", "Ann", "--password-file", "-", sent=GOOD)
    assert made.exit_code == 0, made.output
    factor = pyotp.parse_uri(made.stdout.strip())
    assert (factor.name, factor.issuer) == ("Ann", "Bookmatch") and len(factor.secret) == 32
    assert "█" in made.stderr  # the QR code
    listed = call("list").stdout
    assert listed.startswith("Ann  key ") and listed.rstrip().endswith("not locked")
    assert factor.secret not in listed


def test_the_password_is_asked_for_twice_on_a_terminal(database: str) -> None:
    assert call("add", "Ann", sent=GOOD + "another password\n" + GOOD + GOOD).exit_code == 0
    assert "Ann" in call("list").stdout


@pytest.mark.parametrize(
    ("name", "password", "said"),
    [("Ann", "short\n", "12 to 200"), (" ", GOOD, "name"), ("a\tb", GOOD, "control"), ("x" * 81, GOOD, "80")],
)
def test_what_cannot_be_taken_is_said(database: str, name: str, password: str, said: str) -> None:
    found = call("add", name, "--password-file", "-", sent=password)
    assert found.exit_code == 1 and said in found.stderr and password.strip() not in found.stderr
    assert call("list").stdout == ""


def test_a_name_is_given_once(database: str) -> None:
    call("add", "Ann", "--password-file", "-", sent=GOOD)
    again = call("add", "Ann", "--password-file", "-", sent=GOOD)
    assert again.exit_code == 1 and "already" in again.stderr


def test_password_and_second_factor_are_changed(database: str) -> None:
    first = call("add", "Ann", "--password-file", "-", sent=GOOD).stdout
    assert call("password", "Ann", "--password-file", "-", sent="another password\n").stdout == "Ann\n"
    second = call("password", "Ann", "--new-factor", "--password-file", "-", sent=GOOD).stdout
    assert pyotp.parse_uri(second.strip()).secret != pyotp.parse_uri(first.strip()).secret
    assert call("password", "Bob", "--password-file", "-", sent=GOOD).exit_code == 1


def test_a_user_is_removed_and_all_is_on_record(database: str) -> None:
    call("add", "Ann", "--password-file", "-", sent=GOOD)
    assert call("remove", "Ann").stdout == "Ann\n" and call("list").stdout == ""
    assert call("remove", "Ann").exit_code == 1
    engine = open_engine(database)
    with reading(engine) as connection:
        found = entries(connection, None, 10)
    engine.dispose()
    assert [row["action"] for row in found] == ["desk_user_removed", "desk_user_added"]
    assert "Ann" not in str(found)
