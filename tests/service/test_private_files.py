"""Commands write files for their owner alone; a secret or database that others can read is refused."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from apps import make_app, parts
from asking import SECRET
from click.testing import CliRunner, Result
from fakes import read_fake, write_fake

from models.cli import main as models_main
from models.commands.console import OneLineErrors
from service.cli import main
from service.commands.check import findings
from service.commands.safety import guessable
from service.settings import Settings, secret_files

HEX = "9f86d081884c7d659a2feaa0c55ad015"  # 32 digits as `openssl rand -hex 16` prints them


@pytest.fixture(autouse=True)
def open_handed() -> Iterator[None]:
    """Work under the usual umask, by which all users may read new files."""
    before = os.umask(0o022)
    yield
    os.umask(before)


@pytest.fixture
def installed(store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of an installation: a database that `migrate` made, and the secret in a file."""
    (tmp_path / "secret").write_text(HEX + "\n")
    (tmp_path / "secret").chmod(0o600)
    for name, value in (("STORE", str(store)), ("DATABASE", f"sqlite:///{tmp_path}/b.sqlite3")):
        monkeypatch.setenv(f"BOOKMATCH_{name}", value)
    monkeypatch.delenv("BOOKMATCH_SECRET", raising=False)
    monkeypatch.setenv("BOOKMATCH_SECRET_FILE", str(tmp_path / "secret"))
    monkeypatch.setenv("BOOKMATCH_BIND", "127.0.0.1:0")
    monkeypatch.setattr("service.server.gunicorn_app.serve", lambda settings, load: None)
    assert run("migrate").exit_code == 0 and run("keys", "create", "first").exit_code == 0
    return tmp_path


def run(*words: str) -> Result:
    return CliRunner().invoke(main, list(words))


def open_to_others(folder: Path) -> list[str]:
    return [str(path) for path in [folder, *folder.rglob("*")] if path.stat().st_mode & 0o077]


# ── what commands write ──────────────────────────────────────────────────────


def test_the_database_of_migrate_is_for_its_owner_alone(installed: Path) -> None:
    assert {path.name for path in installed.glob("b.sqlite3*")} >= {"b.sqlite3"}
    for path in installed.glob("b.sqlite3*"):
        assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_so_are_a_restored_database_and_its_price_models(
    installed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run("backup", str(installed / "b.backup")).exit_code == 0
    monkeypatch.setenv("BOOKMATCH_DATABASE", f"sqlite:///{installed}/again.sqlite3")
    monkeypatch.setenv("BOOKMATCH_STORE", str(installed / "again"))
    done = run("restore", str(installed / "b.backup"))
    assert done.exit_code == 0, done.stderr
    assert len(list((installed / "again").rglob("*"))) > 5
    assert open_to_others(installed / "again") == []
    assert [path for path in installed.glob("again.sqlite3*") if path.stat().st_mode & 0o077] == []


def test_so_is_what_a_promotion_writes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("models.bundles.bundle._reader", lambda: read_fake)
    version = write_fake(tmp_path)
    said = ["promote", version, "--store", str(tmp_path), "--who", "Ann", "--why", "good"]
    assert CliRunner().invoke(models_main, said).exit_code == 0
    for name in ("CURRENT", "history.jsonl"):
        assert stat.S_IMODE((tmp_path / name).stat().st_mode) == 0o600


def test_every_command_writes_for_its_owner_alone_and_leaves_the_umask(tmp_path: Path) -> None:
    @click.group(cls=OneLineErrors)
    def group() -> None: ...

    @group.command()
    def write() -> None:
        (tmp_path / "made").mkdir()
        (tmp_path / "made" / "file").write_text("x")

    assert CliRunner().invoke(group, ["write"]).exit_code == 0
    assert open_to_others(tmp_path / "made") == []
    assert os.umask(0o022) == 0o022


# ── what does not serve ──────────────────────────────────────────────────────


@pytest.mark.parametrize("mode", [0o644, 0o640, 0o604, 0o602])
@pytest.mark.parametrize("name", ["secret", "b.sqlite3"])
def test_a_secret_or_database_of_others_does_not_serve(installed: Path, name: str, mode: int) -> None:
    path = installed / name
    path.chmod(mode)
    served, checked = run("serve"), run("check")
    for found in (served, checked):
        assert found.exit_code == 1 and f"chmod 600 {path}" in found.output
    assert "WRONG  private" in checked.stdout


def test_a_password_in_a_file_of_others_does_not_serve(
    installed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (installed / "address").write_text(f"sqlite:///{installed}/b.sqlite3\n")
    (installed / "address").chmod(0o644)
    monkeypatch.setenv("BOOKMATCH_DATABASE_FILE", str(installed / "address"))
    assert f"chmod 600 {installed / 'address'}" in run("serve").output


def test_all_that_is_unsafe_is_said_at_once(installed: Path) -> None:
    (installed / "secret").write_text("x" * 32)
    (installed / "secret").chmod(0o644)
    (installed / "b.sqlite3").chmod(0o644)
    said = run("serve").output
    assert "guessed" in said and said.count("chmod 600") == 2


def test_what_check_finds_in_order_serves(installed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("models.bundles.bundle._reader", lambda: read_fake)
    assert run("check").exit_code == 0, run("check").output
    served = []
    monkeypatch.setattr("service.server.gunicorn_app.serve", lambda settings, load: served.append(settings))
    assert run("serve").exit_code == 0 and served[0].secret == HEX


def test_a_secret_from_the_environment_and_a_database_of_its_own_need_no_file(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("BOOKMATCH_SECRET_FILE", raising=False)
    assert secret_files() == []
    settings = Settings(store=store, secret=SECRET, database="postgresql://u:p@127.0.0.1:1/x")
    found = {one.name: one.ok for one in findings(settings, read_fake)}
    assert found["private"] and not found["database"]


def test_the_database_of_an_application_that_no_command_made_is_named_too(
    store: Path, tmp_path: Path
) -> None:
    address = f"sqlite:///{tmp_path}/loose.sqlite3"
    parts(make_app(store, address)).engine.dispose()
    settings = Settings(store=store, secret=SECRET, database=address)
    found = {one.name: one for one in findings(settings, read_fake)}
    assert not found["private"].ok and "loose.sqlite3" in found["private"].text


# ── secrets that can be guessed ──────────────────────────────────────────────


@pytest.mark.parametrize(
    "secret",
    [
        "a" * 32,
        "ab" * 32,
        "abcabcabc" * 8,
        "password" * 4,
        "passwordpasswordpasswordpasswor",
        "0123456789" * 4,
        "aaaaaaaaaaaaaaaabbbbbbbbbbbbbbbbccccccccdddddddd",
        "s3cret" * 8,
        "change-me-" * 4,
    ],
)
def test_a_secret_that_repeats_itself_or_has_few_letters_can_be_guessed(secret: str) -> None:
    assert guessable(secret)


@pytest.mark.parametrize(
    "secret",
    [
        HEX,
        "b5bb9d8014a0f9b1d61e21e796d78dccdf1323f2cc2b2a1e6a1b9d9d5a1d6d1a",
        "Dq0Yk9T3vJcW5sRzUu7mQ2hX8bLpN1eA4fGiOoCwKyE",
        "correct horse battery staple and then some more",
        SECRET,
    ],
)
def test_a_random_one_cannot(secret: str) -> None:
    assert not guessable(secret)
