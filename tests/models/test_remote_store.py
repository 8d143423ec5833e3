"""A store of bundles in an S3-compatible store: the changes of a folder, by copies that are verified."""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from uuid import uuid4

import pytest
from click.testing import CliRunner
from fakes import read_fake, write_fake
from object_store import S3_KEY, free_port, object_store

from models.bundles.access import Access, access_from_environment
from models.bundles.bundle import read_bundle
from models.bundles.places import store_at
from models.bundles.registry import Registry
from models.bundles.remote import RemotePlace
from models.cli import main
from models.errors import BundleDamagedError, BundleError, BundleMissingError, StoreAwayError
from service.settings import SETTINGS

BY = {"who": "tests", "why": "to see"}


@pytest.fixture(scope="module")
def endpoint() -> Iterator[str]:
    with object_store("price-models") as url:
        yield url


@pytest.fixture
def access(endpoint: str, tmp_path: Path) -> Access:
    return Access(files_endpoint=endpoint, store_cache=str(tmp_path / "cache"), **S3_KEY)


@pytest.fixture
def store(access: Access) -> RemotePlace:
    """A new store; each has a prefix of its own."""
    found = store_at(f"s3://price-models/{uuid4().hex}", access)
    assert isinstance(found, RemotePlace)
    return found


def elsewhere(store: RemotePlace, folder: Path) -> RemotePlace:
    """The same store, as another machine sees it."""
    found = store_at(str(store), replace(store._access, store_cache=str(folder)))
    assert isinstance(found, RemotePlace)
    return found


def test_bundles_are_written_promoted_and_rolled_back_as_in_a_folder(
    store: RemotePlace, tmp_path: Path
) -> None:
    registry, other = Registry(store), Registry(elsewhere(store, tmp_path / "other"))
    with pytest.raises(BundleMissingError, match="fit one first"):
        registry.current()
    first, second = write_fake(store), write_fake(store, 9.0)
    assert other.versions() == (first, second) and other.current_manifest() is None
    registry.promote(first, **BY)
    before = other.mark()
    other.promote(second, **BY)
    assert registry.mark() != before
    found = read_bundle(registry.folder(second), registry.current().manifest_sha256, read_model=read_fake)
    assert (
        found.version == second
        and found.file("card.json") == b'{"title": "Model card", "made": "2026-01-02", "base": 9.0}'
    )
    assert registry.rollback(**BY).version == first and other.current().version == first
    told = [(change.action, change.version, change.before) for change in other.history()]
    assert told == [("promote", first, None), ("promote", second, first), ("rollback", first, second)]
    with pytest.raises(BundleMissingError, match="no earlier"):
        registry.rollback(**BY)
    with pytest.raises(BundleMissingError, match="did you mean"):
        registry.folder(first[:-1] + "x")


def test_a_list_fetches_no_more_than_manifests(store: RemotePlace) -> None:
    version = write_fake(store, provisional=True)
    assert Registry(store).provisional(version) is True
    assert sorted(path.name for path in store.cache.rglob("*") if path.is_file()) == ["manifest.json"]


def test_a_bundle_without_its_manifest_is_not_there_yet(store: RemotePlace) -> None:
    version = write_fake(store)
    store._quick.delete(f"bundles/{version}/manifest.json")
    assert Registry(store).versions() == ()
    with pytest.raises(BundleMissingError):
        Registry(store).promote(version, **BY)


def test_a_file_that_was_changed_in_the_store_is_refused_and_nothing_becomes_current(
    store: RemotePlace,
) -> None:
    registry, version = Registry(store), write_fake(store)
    store._quick.put(f"bundles/{version}/fake.json", b'{"base": 1}')
    with pytest.raises(BundleDamagedError, match=r"fake\.json"):
        registry.promote(version, **BY)
    assert list(store.cache.rglob("fake.json")) == []  # nothing of it is kept
    with pytest.raises(BundleMissingError):
        registry.current()
    store._quick.delete(f"bundles/{version}/fake.json")
    with pytest.raises(BundleDamagedError, match=r"fake\.json is not in"):
        registry.folder(version)


def test_a_copy_that_was_damaged_is_fetched_again(store: RemotePlace) -> None:
    registry, version = Registry(store), write_fake(store)
    copy = registry.folder(version)
    (copy / "fake.json").write_text('{"base": 1}')
    assert read_bundle(registry.folder(version), read_model=read_fake).version == version
    whole = (copy / "manifest.json").read_bytes()
    (copy / "manifest.json").write_text("{")
    assert (registry.folder(version) / "manifest.json").read_bytes() == whole
    left = {path.name for path in store.cache.iterdir()}
    assert left == {"bundles"}  # nothing aside is left


def test_changes_at_the_same_time_are_all_kept_one_after_the_other(
    store: RemotePlace, tmp_path: Path
) -> None:
    versions = [write_fake(store, base) for base in (8.0, 8.5, 9.0)]

    def promote_often(number: int) -> None:
        registry = Registry(elsewhere(store, tmp_path / f"machine{number}"))
        for _ in range(4):
            registry.promote(versions[number], who=f"machine {number}", why="in turn")

    threads = [threading.Thread(target=promote_often, args=(number,)) for number in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    history = Registry(store).history()
    assert len(history) == 12 and sorted(c.who for c in history) == sorted(
        [f"machine {n}" for n in range(3)] * 4
    )
    assert [change.before for change in history[1:]] == [change.version for change in history[:-1]]
    assert Registry(store).current().version == history[-1].version


def test_a_change_whose_answer_was_lost_is_made_once(
    store: RemotePlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    registry, first, second = Registry(store), write_fake(store), write_fake(store, 9.0)
    registry.promote(first, **BY)
    registry.promote(second, **BY)
    written = store._write
    # As after a lost answer: the library's second attempt finds the file changed by its first.
    monkeypatch.setattr(
        store, "_write", lambda name, data, seen: written(name, data, seen) and name != "CURRENT"
    )
    assert registry.rollback(**BY).version == first
    assert len(registry.history()) == 3 and registry.current().version == first


def test_a_change_that_never_reached_the_log_is_told_and_logged_by_the_next(
    store: RemotePlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    registry, first, second = Registry(store), write_fake(store), write_fake(store, 9.0)
    with monkeypatch.context() as patch:
        patch.setattr(RemotePlace, "log", lambda self, entry: (_ for _ in ()).throw(OSError("power cut")))
        with pytest.raises(OSError, match="power cut"):
            registry.promote(first, **BY)
    assert [change.version for change in registry.history()] == [first]
    registry.promote(second, **BY)
    assert [json.loads(line)["version"] for line in store.history().splitlines()] == [first, second]


def test_a_store_that_is_away_says_so_without_its_key_and_copies_go_on(
    store: RemotePlace, tmp_path: Path
) -> None:
    registry, version = Registry(store), write_fake(store)
    registry.promote(version, **BY)
    current = registry.current()
    away = Registry(
        store_at(str(store), replace(store._access, files_endpoint=f"http://127.0.0.1:{free_port()}"))
    )
    for ask in (away.current, away.mark, away.versions, away.history, away.current_manifest):
        with pytest.raises(StoreAwayError) as told:
            ask()
        assert "127.0.0.1" not in str(told.value) and "a-secret" not in str(told.value)
    # The copies belong to the endpoint; those of this one need no answer of it.
    store.__dict__["_quick"] = store.__dict__["_slow"] = None
    assert registry.last_current() == current
    assert read_bundle(registry.local(*current), read_model=read_fake).version == version


def test_a_bucket_that_is_not_there_is_named_when_something_is_written(access: Access) -> None:
    nowhere = store_at("s3://nobody-made-this/x", access)
    with pytest.raises(StoreAwayError, match="no such bucket"):
        write_fake(nowhere)


def test_a_folder_of_copies_that_others_can_write_to_is_refused(store: RemotePlace, tmp_path: Path) -> None:
    (tmp_path / "open").mkdir()
    (tmp_path / "open").chmod(0o777)
    with pytest.raises(BundleError, match="BOOKMATCH_STORE_CACHE"):
        _ = elsewhere(store, tmp_path / "open").cache
    assert store.cache.stat().st_mode & 0o077 == 0


def test_commands_take_its_address(
    store: RemotePlace, access: Access, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, value in vars(access).items():
        monkeypatch.setenv(f"BOOKMATCH_{name.upper()}", value)
    version = write_fake(store)
    Registry(store).promote(version, **BY)
    run = CliRunner().invoke(main, ["list", "--store", str(store)])
    assert (run.exit_code, run.stdout) == (0, f"* {version}\n")
    assert (
        CliRunner()
        .invoke(main, ["show", "--store", str(store)])
        .stdout.startswith(f"version   {version} (current")
    )


def test_the_commands_settings_are_those_of_the_service(tmp_path: Path) -> None:
    names = {setting.name for setting in SETTINGS}
    assert set(Access.__annotations__) <= names
    given = {f"BOOKMATCH_{name.upper()}": f"{name} " for name in Access.__annotations__}
    assert vars(access_from_environment(given)) == {name: name for name in Access.__annotations__}
    (tmp_path / "secret").write_text("hush\n")
    found = access_from_environment({"BOOKMATCH_FILES_KEY_SECRET_FILE": str(tmp_path / "secret")})
    assert found == Access(files_key_secret="hush") and "hush" not in repr(found)
    assert os.environ.get("BOOKMATCH_FILES_ENDPOINT") is None
