"""The bundle that serves: swapped when another is promoted, kept when the other is damaged."""

from __future__ import annotations

import threading
import time
from pathlib import Path
from typing import Any

import pytest
from apps import caller_of, parts
from asking import DAL
from fakes import read_fake, write_fake
from flask import Flask
from price_models import damage

from models.bundles.folder import CURRENT
from models.bundles.registry import Registry
from service.db.engine import REVISION
from service.errors import NoBundleError
from service.server.live_bundle import LiveBundle


def promote(store: Path, base: float) -> str:
    """Write another fake and make it current; its version."""
    version = write_fake(store, base=base)
    Registry(store).promote(version, who="tests", why="another")
    return version


def test_what_is_promoted_serves_and_what_is_rolled_back_no_longer(store: Path) -> None:
    live = LiveBundle(store, read_fake)
    with pytest.raises(NoBundleError):
        live.bundle()
    live.look()
    first = live.version
    second = promote(store, 9.0)
    assert live.version == first  # until it looks
    live.look()
    assert live.version == live.bundle().version == second
    Registry(store).rollback(who="tests", why="back")
    live.look()
    assert live.version == first


def test_nothing_is_read_while_nothing_changes(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    live = LiveBundle(store, read_fake)
    live.look()
    monkeypatch.setattr(
        "service.server.live_bundle.read_bundle", lambda *_, **__: pytest.fail("was read again")
    )
    before = live.bundle()
    for _ in range(5):
        live.look()
    assert live.bundle() is before and live.refused is None


@pytest.mark.parametrize("harm", ["file", "missing", "manifest", "current", "reader"])
def test_a_bad_bundle_is_refused_and_the_old_one_keeps_serving(
    own_app: Flask, harm: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    caller, live = caller_of(own_app), parts(own_app).live
    store, before = parts(own_app).settings.store, caller.value({})
    first, second = live.version, promote(store, 9.0)
    if harm == "file":
        damage(store, second)
    elif harm == "missing":
        (store / "bundles" / second).rename(store / "elsewhere")
    elif harm == "manifest":
        manifest = store / "bundles" / second / "manifest.json"
        manifest.write_text(manifest.read_text().replace('"format": 1', '"format": 2'))
    elif harm == "current":
        (store / CURRENT).write_text("{")
    else:
        monkeypatch.setattr(live, "_read_model", lambda *_: 1 / 0)
    live.look()
    after = caller.value({})
    assert (after.json["value"], after.json["model_version"]) == (before.json["value"], first)
    ready = caller_of(caller.app, "metrics").get("/readyz")
    assert ready.status_code == 200
    model = ready.json["checks"]["model"]
    assert (model["ok"], model["version"]) == (True, first) and model["refused"]
    assert str(store) not in ready.text


def test_a_bundle_that_was_mended_serves_after_a_while(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    live = LiveBundle(store, read_fake)
    live.look()
    second = promote(store, 9.0)
    path = store / "bundles" / second / "fake.json"
    good = path.read_bytes()
    damage(store, second)
    clock = [time.monotonic()]
    monkeypatch.setattr("service.server.live_bundle.time.monotonic", lambda: clock[0])
    live.look()
    assert live.refused is not None
    path.write_bytes(good)
    live.look()
    assert live.version != second  # not at each look: a bundle is large
    clock[0] += 31
    live.look()
    assert live.version == second and live.refused is None


def test_a_good_promotion_after_a_bad_one_serves_at_once(store: Path) -> None:
    live = LiveBundle(store, read_fake)
    live.look()
    damage(store, promote(store, 9.0))
    live.look()
    third = promote(store, 7.0)
    live.look()
    assert live.version == third and live.refused is None


def test_one_request_uses_one_bundle_from_start_to_end(
    own_app: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    from service.api.values import services

    caller, live, store = caller_of(own_app), parts(own_app).live, parts(own_app).settings.store
    first, value = live.version, services.value

    def swapped_meanwhile(ask: services.ValuationRequest) -> Any:
        promote(store, 9.0)
        live.look()
        assert live.version != first
        return value(ask)

    monkeypatch.setattr("service.api.values.services.value", swapped_meanwhile)
    body = caller.value({}).json
    assert (body["model_version"], body["value"]) == (first, "2980.96")


def test_value_and_version_agree_while_models_are_swapped(own_app: Flask) -> None:
    caller, live, store = caller_of(own_app), parts(own_app).live, parts(own_app).settings.store
    values = {live.version: "2980.96"}
    values[promote(store, 9.0)] = "8103.08"  # e^9 = 8103.083928
    stop = threading.Event()
    threading.Thread(target=_swap, args=(store, live, sorted(values), stop), daemon=True).start()
    seen = set()
    try:
        for _ in range(300):
            body = caller.post("/v1/attributions", DAL).json
            assert body["value"] == values[body["model_version"]]
            seen.add(body["model_version"])
    finally:
        stop.set()
    assert seen == set(values)


def _swap(store: Path, live: LiveBundle, versions: list[Any], stop: threading.Event) -> None:
    while not stop.is_set():
        for version in versions:
            Registry(store).promote(version, who="tests", why="to and fro")
            live.look()


@pytest.fixture
def watched(store: Path) -> LiveBundle:
    live = LiveBundle(store, read_fake)
    live.look()
    live.watch(0.02)
    return live


def test_a_watched_store_is_noticed_without_a_request(watched: LiveBundle, store: Path) -> None:
    second = promote(store, 9.0)
    end = time.monotonic() + 10
    while watched.version != second and time.monotonic() < end:
        time.sleep(0.01)
    assert watched.version == second


def test_readiness_names_the_version_that_serves(own_app: Flask) -> None:
    body = caller_of(own_app, "metrics").get("/readyz").json
    assert body["checks"]["disk"].pop("free") > 0
    assert body == {
        "status": "ready",
        "checks": {
            "model": {
                "ok": True,
                "version": parts(own_app).live.version,
                "provisional": False,
                "refused": None,
            },
            "database": {"ok": True, "revision": REVISION, "problem": None},
            "disk": {"ok": True, "problem": None},
            "limits": {"ok": True, "problem": None},
        },
    }


def test_a_store_that_is_made_later_is_noticed(tmp_path: Path) -> None:
    live = LiveBundle(tmp_path / "later", read_fake)
    live.look()
    assert live.version is None and live.refused is not None
    version = write_fake(tmp_path / "later")
    Registry(tmp_path / "later").promote(version, who="tests", why="at last")
    live.look()
    assert live.version == version and live.refused is None
