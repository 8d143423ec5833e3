"""A backup is sealed with the service's secret: what was changed or made elsewhere is not restored."""

from __future__ import annotations

import hashlib
import hmac
import json
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from apps import caller_of, parts
from asking import SECRET
from backups import back_up, edit, restored, rows_of
from click.testing import CliRunner
from flask import Flask

from service.cli import main
from service.db.engine import found_revision, open_engine
from service.errors import ArchiveError

OTHER = "another secret of the tests, just as long"


@pytest.fixture
def archive(own_app: Flask, tmp_path: Path) -> Path:
    """A backup of an application with a key that may value and no more."""
    caller_of(own_app).value({})
    back_up(own_app, tmp_path / "b.zip")
    return tmp_path / "b.zip"


def replaced(path: Path, name: str, change: Callable[[bytes], bytes]) -> None:
    """Change an entry, and the manifest so that its size and hash fit again."""
    with zipfile.ZipFile(path) as packed:
        data = change(packed.read(name))
    edit(path, lambda _: data, name)
    entry = {"sha256": hashlib.sha256(data).hexdigest(), "size": len(data)}
    edit(path, lambda manifest: manifest["entries"].update({name: entry}))


def raise_scopes(rows: bytes) -> bytes:
    assert b'"valuations"' in rows
    return rows.replace(b'"valuations"', b'"admin valuations"')


def refused(path: Path, match: str, secret: str | None = SECRET) -> None:
    address = f"sqlite:///{path.parent}/refused.sqlite3"
    with pytest.raises(ArchiveError, match=match):
        restored(address, path.parent / "refused", path, secret)
    engine = open_engine(address)
    assert found_revision(engine) is None and not (path.parent / "refused").exists()
    engine.dispose()


def test_the_seal_is_the_hmac_of_the_manifest_under_the_secret(archive: Path) -> None:
    with zipfile.ZipFile(archive) as packed:
        manifest, seal = packed.read("manifest.json"), packed.read("seal")
    wanted = hmac.new(SECRET.encode(), b"bookmatch backup\n" + manifest, hashlib.sha256).hexdigest()
    assert seal.decode() == wanted


def test_an_archive_with_raised_scopes_is_refused(archive: Path, own_app: Flask) -> None:
    replaced(archive, "tables/api_key.ndjson", raise_scopes)
    refused(archive, "was not sealed with BOOKMATCH_SECRET.*--unauthenticated")
    refused(archive, "was not sealed", OTHER)


def test_an_archive_of_another_secret_is_refused(archive: Path) -> None:
    refused(archive, "was not sealed with BOOKMATCH_SECRET", OTHER)


def test_an_archive_without_a_seal_is_refused(archive: Path) -> None:
    with zipfile.ZipFile(archive) as old:
        entries = {name: old.read(name) for name in old.namelist() if name != "seal"}
    with zipfile.ZipFile(archive, "w") as new:
        for name, data in entries.items():
            new.writestr(name, data)
    refused(archive, "has no seal")


@pytest.mark.parametrize("seal", [b"", b"0" * 64, b"\xff" * 64, SECRET.encode()])
def test_no_other_seal_passes(archive: Path, seal: bytes) -> None:
    edit(archive, lambda _: seal, "seal")
    refused(archive, "was not sealed")


def test_a_name_that_stands_twice_is_refused(archive: Path) -> None:
    with pytest.warns(UserWarning, match="Duplicate"), zipfile.ZipFile(archive, "a") as packed:
        packed.writestr("tables/api_key.ndjson", b"")
    refused(archive, "not those that it names", None)


def test_whoever_trusts_an_archive_says_so(archive: Path, own_app: Flask) -> None:
    replaced(archive, "tables/api_key.ndjson", raise_scopes)
    address = f"sqlite:///{archive.parent}/trusted.sqlite3"
    restored(address, archive.parent / "trusted", archive, None)
    engine = open_engine(address)
    assert len(rows_of(engine)["valuation"]) == 1
    engine.dispose()


def test_what_a_bundle_does_not_list_is_not_unpacked(archive: Path, own_app: Flask) -> None:
    version = parts(own_app).live.version
    more = f"bundles/{version}/more.json"
    edit(archive, lambda _: b"{}", more)
    entry = {"sha256": hashlib.sha256(b"{}").hexdigest(), "size": 2}
    edit(archive, lambda manifest: manifest["entries"].update({more: entry}))
    store = archive.parent / "again"
    restored(f"sqlite:///{archive.parent}/again.sqlite3", store, archive, None)
    listed = json.loads((store / "bundles" / str(version) / "manifest.json").read_text())["files"]
    there = {path.name for path in (store / "bundles" / str(version)).iterdir()}
    assert there == {"manifest.json", *listed}


def test_the_command_takes_no_archive_of_others_unless_it_is_told_to(
    archive: Path, own_app: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = archive.parent
    monkeypatch.setenv("BOOKMATCH_STORE", str(folder / "s"))
    monkeypatch.setenv("BOOKMATCH_DATABASE", f"sqlite:///{folder}/s.sqlite3")
    monkeypatch.setenv("BOOKMATCH_SECRET", OTHER)
    for more in ([], ["--check"]):
        said = CliRunner().invoke(main, ["restore", str(archive), *more])
        assert said.exit_code == 1 and "--unauthenticated" in said.stderr
    assert not (folder / "s").exists()
    told = CliRunner().invoke(main, ["restore", str(archive), "--unauthenticated"])
    assert told.exit_code == 0 and "1 of valuation" in told.stdout
