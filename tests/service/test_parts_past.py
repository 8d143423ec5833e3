"""The parts of a kept valuation come from the bundle that made it, whatever is current."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path

import pytest
from apps import caller_of, parts
from asking import SHOWN_PARTS, Caller, assert_problem
from fakes import FakePriceModel, read_fake, write_fake
from flask import Flask

from models.bundles.registry import Registry
from models.domain.catalogue import Catalogue
from service.errors import BundleGoneError
from service.server.bundle_cache import BundleCache

POSTS = {"alternatives": {"alternatives": [{"figure": 1}]}, "restoration": {"costs": {}}}


def all_of(caller: Caller, valuation_id: str) -> list[bytes]:
    root = f"/v1/valuations/{valuation_id}"
    found = [caller.get(f"{root}/{name}") for name in SHOWN_PARTS]
    found += [caller.post(f"{root}/{name}", body) for name, body in POSTS.items()]
    assert {answer.status_code for answer in found} == {200}
    return [answer.data for answer in found]


def promote_another(app: Flask, base: float = 9.0) -> str:
    store = parts(app).settings.store
    version = write_fake(store, base=base)
    Registry(store).promote(version, who="tests", why="another")
    parts(app).live.look()
    return version


def made(caller: Caller) -> dict[str, str]:
    it = {"maker": "Ostvik", "model": "Fjell 2", "serial": "F 77", "originality": {"pickups": "modern"}}
    return dict(caller.post("/v1/valuations", {"instrument": it, "date": "2026-01-02"}).json)


def test_another_current_model_changes_nothing(own_app: Flask) -> None:
    caller = caller_of(own_app)
    kept = made(caller)
    before = all_of(caller, kept["id"])
    version = promote_another(own_app)
    assert all_of(caller, kept["id"]) == before
    new = made(caller)
    assert (new["model_version"], kept["model_version"] != version) == (version, True)
    after = caller.post(f"/v1/valuations/{new['id']}/alternatives", POSTS["alternatives"]).json
    # e^8.8 = 6,634.24 by the new one; e^7.8 = 2,440.60 by the one that made the first.
    assert (after["value"], after["model_version"]) == ("6634.24", version)
    old = caller.post(f"/v1/valuations/{kept['id']}/alternatives", POSTS["alternatives"]).json
    assert (old["value"], old["model_version"]) == ("2440.60", kept["model_version"])


def test_a_model_that_is_gone_is_named_and_the_valuation_stays(own_app: Flask) -> None:
    caller = caller_of(own_app)
    kept = made(caller)
    promote_another(own_app)
    shutil.rmtree(parts(own_app).settings.store / "bundles" / kept["model_version"])
    for name in SHOWN_PARTS:
        body = assert_problem(caller.get(f"/v1/valuations/{kept['id']}/{name}"), 410, "model-gone")
        assert kept["model_version"] in body["detail"] and "no longer kept" in body["detail"]
    for name, asked in POSTS.items():
        found = caller.post(f"/v1/valuations/{kept['id']}/{name}", asked)
        assert_problem(found, 410, "model-gone")
    assert caller.get(f"/v1/valuations/{kept['id']}").json == kept


def test_a_model_that_was_damaged_since_is_not_used(own_app: Flask) -> None:
    caller = caller_of(own_app)
    kept = made(caller)
    promote_another(own_app)
    (parts(own_app).settings.store / "bundles" / kept["model_version"] / "fake.json").write_text("{}")
    found = caller.get(f"/v1/valuations/{kept['id']}/sentences")
    assert "cannot be read" in assert_problem(found, 410, "model-gone")["detail"]


def test_a_model_without_a_card_says_so(own_app: Flask) -> None:
    from fakes import CATALOGUE, RATES

    from models.bundles.bundle import write_bundle

    store = parts(own_app).settings.store
    version = write_bundle(store, FakePriceModel(), CATALOGUE, RATES, {})
    Registry(store).promote(version, who="tests", why="no card")
    parts(own_app).live.look()
    caller = caller_of(own_app, "valuations", "admin")
    for path in ("/v1/price-models/current/card", "/v1/price-models/current/card.html"):
        assert version in assert_problem(caller.get(path), 404, "card")["detail"]
    # A bundle that keeps no evidence has no comparables, and says that too.
    kept = made(caller)
    found = caller.get(f"/v1/valuations/{kept['id']}/comparables").json["comparables"]
    assert found["sales"] == [] and found["note"]


def test_a_bundle_is_read_once_while_it_is_kept_and_few_are_kept(tmp_path: Path) -> None:
    store = tmp_path / "store"
    versions = [write_fake(store, base=base) for base in (7.0, 8.0, 9.0)]
    read: list[Mapping[str, bytes]] = []

    def counting(files: Mapping[str, bytes], catalogue: Catalogue) -> FakePriceModel:
        read.append(files)
        return read_fake(files, catalogue)

    past = BundleCache(store, counting)
    for _ in range(3):
        assert past.bundle(versions[0]).version == versions[0]
    assert len(read) == 1
    past.bundle(versions[1])
    past.bundle(versions[0])  # used last: the second goes first
    past.bundle(versions[2])
    assert len(read) == 3
    past.bundle(versions[0])
    assert len(read) == 3
    past.bundle(versions[1])
    assert len(read) == 4


@pytest.mark.parametrize("version", ["20200101T000000000Z-00000000", "../store", ""])
def test_a_version_that_there_is_not(tmp_path: Path, version: str) -> None:
    write_fake(tmp_path)
    with pytest.raises(BundleGoneError, match="no longer kept"):
        BundleCache(tmp_path, read_fake).bundle(version)
