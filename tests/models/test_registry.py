"""The store: what is current, how it changes, and that no crash and no neighbour can leave it between two."""

from __future__ import annotations

import fcntl
import json
import multiprocessing
import threading
from itertools import pairwise
from pathlib import Path

import pytest
from fakes import write_fake

from models.bundles import registry as registry_module
from models.bundles.folder import FolderPlace
from models.bundles.registry import Registry
from models.errors import BundleDamagedError, BundleMissingError

BY = {"who": "tester", "why": "a test"}


@pytest.fixture
def registry(tmp_path: Path) -> Registry:
    for base in (8.0, 8.1, 8.2):
        write_fake(tmp_path, base)
    return Registry(tmp_path)


def promoted(registry: Registry) -> list[str]:
    for version in registry.versions():
        registry.promote(version, **BY)
    return list(registry.versions())


def test_nothing_is_current_until_something_is_promoted(registry: Registry) -> None:
    assert len(registry.versions()) == 3 and registry.history() == ()
    with pytest.raises(BundleMissingError, match="promoted yet: promote one of them"):
        registry.current()
    with pytest.raises(BundleMissingError):
        registry.rollback(**BY)


def test_the_promoted_bundle_is_current_with_its_manifests_hash(registry: Registry) -> None:
    first = registry.versions()[0]
    change = registry.promote(first, **BY)
    assert change == registry.history()[-1] and change.version == first
    current = registry.current()
    assert current.version == first
    assert Registry(registry.store).current() == current
    stored = json.loads((registry.store / "CURRENT").read_text())
    assert (stored["version"], stored["manifest_sha256"]) == current


def test_history_says_who_why_and_what_before(registry: Registry) -> None:
    first, second, _ = registry.versions()
    registry.promote(first, who="ann", why="first fit")
    registry.promote(second, who="bo", why="newer sales")
    registry.rollback(who="cy", why="complaints")
    said = [(c.action, c.version, c.before, c.who, c.why) for c in registry.history()]
    assert said == [
        ("promote", first, None, "ann", "first fit"),
        ("promote", second, first, "bo", "newer sales"),
        ("rollback", first, second, "cy", "complaints"),
    ]
    assert [c.when for c in registry.history()] == sorted(c.when for c in registry.history())


def test_each_rollback_goes_one_promotion_further_back_and_the_last_is_refused(registry: Registry) -> None:
    first, second, _ = promoted(registry)
    assert registry.rollback(**BY).version == second
    assert registry.rollback(**BY).version == first
    with pytest.raises(BundleMissingError, match="no earlier"):
        registry.rollback(**BY)
    assert registry.current().version == first


def test_a_promotion_after_a_rollback_goes_on_from_there(registry: Registry) -> None:
    _, second, third = promoted(registry)
    registry.rollback(**BY)
    registry.promote(third, **BY)
    assert registry.rollback(**BY).version == second


def test_promoting_the_current_one_again_does_not_make_it_its_own_predecessor(registry: Registry) -> None:
    first, second, _ = registry.versions()
    for version in (first, second, second):
        registry.promote(version, **BY)
    assert registry.rollback(**BY).version == first


def test_a_damaged_bundle_is_not_promoted_nor_rolled_back_to(registry: Registry) -> None:
    first, second, third = promoted(registry)
    (registry.folder(second) / "fake.json").write_text("{}")
    for attempt in (lambda: registry.promote(second, **BY), lambda: registry.rollback(**BY)):
        with pytest.raises(BundleDamagedError, match=r"fake\.json"):
            attempt()
        assert registry.current().version == third
    assert registry.promote(first, **BY).version == first


def test_an_unknown_version_is_answered_with_the_nearest(registry: Registry) -> None:
    first = registry.versions()[0]
    with pytest.raises(BundleMissingError, match=first):
        registry.promote(first[:-1] + "x", **BY)
    for wrong in ("../" + first, "", "latest"):
        with pytest.raises(BundleMissingError):
            registry.promote(wrong, **BY)


def test_what_is_no_bundle_is_not_listed(registry: Registry) -> None:
    (registry.store / "bundles" / ".writing-0123").mkdir()
    (registry.store / "bundles" / "notes").mkdir()
    assert len(registry.versions()) == 3


@pytest.mark.parametrize("text", ["", "{", "[]", "null", '{"version": "x"}'])
def test_a_damaged_current_says_what_to_do(registry: Registry, text: str) -> None:
    promoted(registry)
    (registry.store / "CURRENT").write_text(text)
    with pytest.raises(BundleDamagedError, match="promote a version again"):
        registry.current()


def test_a_crash_before_the_rename_changes_nothing(
    registry: Registry, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second, _ = registry.versions()
    registry.promote(first, **BY)

    def crash(path: Path, target: Path) -> None:
        raise OSError("power cut")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", crash)
        with pytest.raises(OSError, match="power cut"):
            registry.promote(second, **BY)
    assert registry.current().version == first and len(registry.history()) == 1
    assert not [p for p in registry.store.iterdir() if p.name.startswith(".CURRENT")]


def test_a_crash_between_the_rename_and_the_log_loses_no_change(
    registry: Registry, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second, third = registry.versions()
    registry.promote(first, **BY)
    with monkeypatch.context() as patch:
        patch.setattr(FolderPlace, "log", lambda self, change: (_ for _ in ()).throw(OSError("power cut")))
        with pytest.raises(OSError, match="power cut"):
            registry.promote(second, who="ann", why="new")
    assert registry.current().version == second
    assert [c.version for c in registry.history()] == [first, second]
    registry.promote(third, **BY)
    assert [c.version for c in registry.history()] == [first, second, third]
    assert registry.history()[1].who == "ann"


def test_a_line_of_the_log_that_was_cut_short_takes_no_other_with_it(registry: Registry) -> None:
    first, second, _ = registry.versions()
    registry.promote(first, **BY)
    with (registry.store / "history.jsonl").open("a") as log:
        log.write('{"when": "20')
    registry.promote(second, **BY)
    assert [c.version for c in registry.history()] == [first, second]
    last = (registry.store / "history.jsonl").read_text().splitlines()[-1]
    assert json.loads(last)["version"] == second


def test_a_change_waits_for_the_one_before_it(registry: Registry) -> None:
    first = registry.versions()[0]
    waiting = threading.Thread(target=lambda: registry.promote(first, **BY))
    with (registry.store / ".lock").open("a") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        waiting.start()
        waiting.join(0.3)
        assert waiting.is_alive() and registry.history() == ()
    waiting.join(10)
    assert not waiting.is_alive() and registry.current().version == first


def _promote_often(store: str, version: str, times: int) -> None:
    for _ in range(times):
        Registry(Path(store)).promote(version, **BY)


def test_promotions_at_the_same_time_are_all_kept_one_after_the_other(registry: Registry) -> None:
    context = multiprocessing.get_context("spawn")
    workers = [
        context.Process(target=_promote_often, args=(str(registry.store), version, 15))
        for version in registry.versions()[:2]
    ]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(60)
    assert [worker.exitcode for worker in workers] == [0, 0]
    changes = registry.history()
    assert len(changes) == 30
    for before, after in pairwise(changes):
        assert after.before == before.version
    assert registry.current().version == changes[-1].version


def test_a_store_that_is_not_there_is_missing(tmp_path: Path) -> None:
    nowhere = Registry(tmp_path / "nowhere")
    assert nowhere.versions() == ()
    for attempt in (lambda: nowhere.promote("x", **BY), lambda: nowhere.rollback(**BY), nowhere.current):
        with pytest.raises(BundleMissingError):
            attempt()
    assert not nowhere.store.exists()


def test_only_so_many_earlier_promotions_are_remembered(
    registry: Registry, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(registry_module, "_MOST_EARLIER", 1)
    _, second, _ = promoted(registry)
    assert registry.rollback(**BY).version == second
    with pytest.raises(BundleMissingError):
        registry.rollback(**BY)
