"""A worker that serves price models of an S3-compatible store: it follows promotions and bears absence."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from uuid import uuid4

import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import SECRET, assert_problem
from backups import restored
from fakes import read_fake, write_fake
from flask import Flask
from object_store import S3_KEY, free_port, object_store

from models.bundles.registry import Registry
from service.backup.making import make_backup
from service.blobs.places import store_of
from service.commands.check import findings
from service.server.live_bundle import LiveBundle


@pytest.fixture(scope="module")
def endpoint() -> Iterator[str]:
    with object_store("price-models") as url:
        yield url


@pytest.fixture
def app(endpoint: str, new_database: NewDatabase, tmp_path: Path) -> Iterator[Flask]:
    """An application whose store has one promoted model."""
    places = {"files": str(tmp_path / "files"), "mail": f"file:{tmp_path / 'mail'}"}
    places |= {"files_endpoint": endpoint, "store_cache": str(tmp_path / "cache"), **S3_KEY}
    found = make_app(f"s3://price-models/{uuid4().hex}", new_database("sqlite"), **places)
    store = store_of(parts(found).settings)
    Registry(store).promote(write_fake(store), who="tests", why="to serve")
    parts(found).live.look()
    yield found
    parts(found).engine.dispose()


def model_of(app: Flask) -> dict[str, object]:
    found: dict[str, object] = caller_of(app, "metrics").get("/readyz").json["checks"]["model"]
    return found


def test_a_promotion_is_followed_and_a_broken_download_refused_while_the_old_one_serves(app: Flask) -> None:
    live, store = parts(app).live, parts(app).live.registry.store
    first = live.version
    second = write_fake(store, 9.0)
    Registry(store).promote(second, who="tests", why="another")
    live.look()
    assert live.version == second and live.refused is None
    third = write_fake(store, 9.5)
    Registry(store).promote(third, who="tests", why="another")
    shutil.rmtree(store.cache / "bundles" / third)  # as another machine promoted it, which has the copy
    store._quick.put(f"bundles/{third}/catalogue.toml", b"cut sho")
    live.look()
    shown = model_of(app)
    assert shown["ok"] is True and shown["version"] == second != first
    assert "catalogue.toml" in str(shown["refused"]) and "s3://" not in str(shown["refused"])
    assert caller_of(app).value({}).json["model_version"] == second


def test_a_store_that_goes_away_leaves_what_serves_and_is_followed_again_when_it_is_back(
    app: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    live, store, admin = parts(app).live, parts(app).live.registry.store, caller_of(app, "admin")
    first, second = live.version, write_fake(store, 9.0)
    working = store._quick, store._slow
    away = LiveBundle(store_of(parts(app).settings), read_fake).registry.store
    object.__setattr__(away._access, "files_endpoint", f"http://127.0.0.1:{free_port()}")
    store.__dict__.update(_quick=away._quick, _slow=away._slow)
    live.look()
    shown = model_of(app)
    assert (shown["ok"], shown["version"], shown["refused"]) == (
        True,
        first,
        "the store does not answer (GenericError)",
    )
    assert_problem(admin.get("/v1/price-models"), 503, "model-store")
    assert_problem(admin.post(f"/v1/price-models/{second}/promote", {"why": "now"}), 503, "model-store")
    # A worker that begins now serves by this machine's copies.
    late = LiveBundle(store, read_fake)
    late.look()
    assert late.version == first and late.refused is not None
    store.__dict__.update(_quick=working[0], _slow=working[1])
    Registry(store).promote(second, who="tests", why="another")
    for one in (live, late):
        one.look()
        assert (one.version, one.refused) == (second, None)


def test_price_models_are_listed_shown_and_promoted_over_http(app: Flask) -> None:
    admin, store = caller_of(app, "admin"), parts(app).live.registry.store
    first = parts(app).live.version
    second = write_fake(store, 9.0, gate={"passed": True, "checks": [], "common_sales": 0})
    shutil.rmtree(store.cache / "manifests", ignore_errors=True)
    listed = admin.get("/v1/price-models").json
    assert [one["version"] for one in listed["models"]] == [first, second] and listed["current"] == first
    assert admin.post(f"/v1/price-models/{second}/promote", {"why": "newer"}).json["serving"] == second
    assert admin.get(f"/v1/price-models/{second}").json["problem"] is None
    assert b"Model card" in admin.get(f"/v1/price-models/{first}/card.html").data
    assert_problem(admin.get(f"/v1/price-models/{first[:-1]}x"), 404, "model")


def test_a_backup_holds_its_bundles_and_restores_them_into_such_a_store_or_a_folder(
    app: Flask, new_database: NewDatabase, tmp_path: Path
) -> None:
    caller, registry = caller_of(app), parts(app).live.registry
    made = caller.value({}).json
    about = make_backup(parts(app).engine, registry.store, tmp_path / "b.zip", SECRET, progress=False)
    assert about["bundles"] == [made["model_version"]]
    settings = replace(parts(app).settings, store=f"s3://price-models/{uuid4().hex}")
    for store in (store_of(settings), tmp_path / "elsewhere"):
        restored(new_database("sqlite"), store, tmp_path / "b.zip")
        found = Registry(store)
        assert (found.current(), found.history()) == (registry.current(), registry.history())
        assert found.versions() == (made["model_version"],)
        restored(new_database("sqlite"), store, tmp_path / "b.zip", force=True)
        assert found.current() == registry.current()


def test_check_names_a_store_that_does_not_answer(app: Flask) -> None:
    settings = replace(parts(app).settings, bind="127.0.0.1:0")
    assert {found.name: found.ok for found in findings(settings, read_fake)}["model"]
    away = replace(settings, files_endpoint=f"http://127.0.0.1:{free_port()}")
    told = {found.name: found.text for found in findings(away, read_fake) if not found.ok}
    assert "does not answer" in told["model"]
