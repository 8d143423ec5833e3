"""A bundle is written once and whole, verified on every read, and names the file that is damaged."""

from __future__ import annotations

import gc
import hashlib
import json
import shutil
import weakref
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from fakes import CATALOGUE, RATES, FakePriceModel, read_fake, write_fake

from models.bundles import bundle as bundle_module
from models.bundles.bundle import is_version, read_bundle, write_bundle
from models.bundles.registry import Registry
from models.bundles.trial import check_values
from models.domain.instrument import Instrument, Subject
from models.errors import BundleDamagedError, BundleError, BundleMissingError
from models.price.instruments.model import GuitarModel
from models.valuation.valuer import Valuer

SUBJECT = Subject(Instrument("Ostvik", "Fjell 2", condition_neck=3.5, figure=2.0), date(2026, 1, 2), "dealer")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "bundles" / write_fake(tmp_path, seed=7)


def refused(folder: Path, kind: type[BundleError], naming: str, **options: Any) -> None:
    with pytest.raises(kind) as caught:
        read_bundle(folder, read_model=read_fake, **options)
    assert naming in str(caught.value)


def rewrite(folder: Path, **changes: Any) -> None:
    manifest = json.loads((folder / "manifest.json").read_text())
    (folder / "manifest.json").write_text(json.dumps({**manifest, **changes}))


def test_a_round_trip_through_disk_changes_nothing(folder: Path) -> None:
    found = read_bundle(folder, read_model=read_fake)
    before = Valuer(FakePriceModel(), CATALOGUE, RATES, folder.name)
    assert found.valuer.value(SUBJECT, "EUR") == before.value(SUBJECT, "EUR")
    assert found.valuer.catalogue == CATALOGUE
    assert found.version == folder.name and found.folder == folder


def test_the_manifest_says_what_the_bundle_holds(folder: Path) -> None:
    manifest = read_bundle(folder, read_model=read_fake).manifest
    assert manifest["version"] == folder.name and manifest["about"] == {"seed": 7}
    own, extra = {"catalogue.toml", "fake.json", "rates.npz"}, {"card.html", "card.json", "evidence.npz"}
    assert set(manifest["files"]) == own | extra
    for name, entry in manifest["files"].items():
        data = (folder / name).read_bytes()
        assert entry == {"sha256": hashlib.sha256(data).hexdigest(), "size": len(data)}
    assert sorted(p.name for p in folder.iterdir()) == sorted([*manifest["files"], "manifest.json"])


def test_versions_sort_by_age_and_no_temporary_folder_is_left(tmp_path: Path) -> None:
    written = [write_fake(tmp_path, base) for base in (8.0, 7.0, 9.0)]
    assert all(map(is_version, written))
    assert sorted(p.name for p in (tmp_path / "bundles").iterdir()) == sorted(written)
    assert [v[:15] for v in written] == sorted(v[:15] for v in written)


@pytest.mark.parametrize("name", ["catalogue.toml", "fake.json", "rates.npz"])
def test_one_changed_byte_in_any_file_is_noticed_and_the_file_named(folder: Path, name: str) -> None:
    data = bytearray((folder / name).read_bytes())
    data[len(data) // 2] ^= 1
    (folder / name).write_bytes(data)
    refused(folder, BundleDamagedError, name)


@pytest.mark.parametrize("name", ["catalogue.toml", "fake.json", "rates.npz", "manifest.json"])
def test_a_missing_or_truncated_file_is_noticed_and_named(folder: Path, name: str) -> None:
    (folder / name).write_bytes((folder / name).read_bytes()[:-1])
    if name != "manifest.json":  # its last byte is a line end
        refused(folder, BundleDamagedError, name)
    (folder / name).unlink()
    refused(folder, BundleDamagedError, name)


def test_a_changed_manifest_no_longer_fits_its_bundles_name(folder: Path) -> None:
    rewrite(folder, about={"seed": 8})
    refused(folder, BundleDamagedError, "manifest.json")


def test_files_and_manifest_changed_together_are_noticed_by_the_name(folder: Path) -> None:
    (folder / "fake.json").write_text('{"base": 12, "spread": 0.1}')
    data = (folder / "fake.json").read_bytes()
    files = json.loads((folder / "manifest.json").read_text())["files"]
    rewrite(
        folder, files={**files, "fake.json": {"sha256": hashlib.sha256(data).hexdigest(), "size": len(data)}}
    )
    refused(folder, BundleDamagedError, "manifest.json")


def test_a_manifest_other_than_the_promoted_one_is_refused(folder: Path) -> None:
    own = hashlib.sha256((folder / "manifest.json").read_bytes()).hexdigest()
    assert read_bundle(folder, own, read_model=read_fake).version == folder.name
    refused(folder, BundleDamagedError, "manifest.json", manifest_sha256="0" * 64)


def test_a_renamed_bundle_is_refused(folder: Path) -> None:
    other = folder.with_name("20200101T000000000Z-" + folder.name[-8:])
    shutil.copytree(folder, other)
    refused(other, BundleDamagedError, "name")


@pytest.mark.parametrize("text", ["", "[]", "null", '{"format": 1}', "\x00", "{"])
def test_a_manifest_that_is_none_is_damage_not_a_crash(folder: Path, text: str) -> None:
    (folder / "manifest.json").write_text(text)
    refused(folder, BundleDamagedError, "manifest.json")


def test_no_bundle_at_all_is_missing(tmp_path: Path) -> None:
    refused(tmp_path / "bundles" / "20200101T000000000Z-00000000", BundleMissingError, "no bundle")


def test_other_features_are_refused(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bundle_module, "feature_hash", lambda: "other")
    refused(folder, BundleError, "other features")


def test_a_path_out_of_the_bundle_is_never_followed(tmp_path: Path) -> None:
    (tmp_path / "bundles" / "x").mkdir(parents=True)
    (tmp_path / "secret.json").write_text("{}")
    entry = bundle_module._entry(b"{}")
    with pytest.raises(BundleDamagedError, match="cannot be a file"):
        bundle_module.verify_files(tmp_path / "bundles" / "x", {"files": {"../../secret.json": entry}})


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("model.pkl", b"\x80\x04."),
        ("model.joblib", b"x"),
        ("arrays.npy", b"x"),
        ("arrays.npz", b"\x80\x04 a pickle"),
        ("notes.json", b"{"),
        ("notes.txt", b"\xff\xfe"),
        ("../notes.txt", b"x"),
        ("a/notes.txt", b"x"),
        (".hidden", b"x"),
        ("notes", b"x"),
        ("manifest.json", b"{}"),
        ("catalogue.toml", b""),
        ("fake.json", b"{}"),
    ],
)
def test_only_text_json_and_npz_under_names_of_their_own_are_written(
    tmp_path: Path, name: str, data: bytes
) -> None:
    with pytest.raises(BundleError):
        write_bundle(tmp_path, FakePriceModel(), CATALOGUE, RATES, {}, {name: data})
    assert not (tmp_path / "bundles").exists()


def test_extra_files_are_carried_and_verified_when_read(tmp_path: Path) -> None:
    version = write_bundle(tmp_path, FakePriceModel(), CATALOGUE, RATES, {}, {"card.html": b"<p>card"})
    found = read_bundle(tmp_path / "bundles" / version, read_model=read_fake)
    assert found.file("card.html") == b"<p>card"
    (found.folder / "card.html").write_bytes(b"<p>Card")
    with pytest.raises(BundleDamagedError, match=r"card\.html"):
        found.file("card.html")
    with pytest.raises(BundleMissingError):
        found.file("../CURRENT")


def test_what_json_cannot_hold_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    with pytest.raises(ValueError):
        write_fake(tmp_path, figure=float("nan"))
    assert not (tmp_path / "bundles").exists()


def test_a_write_that_fails_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written: list[str] = []

    def fail_on_the_third(path: Path, data: bytes) -> None:
        written.append(path.name)
        if len(written) == 3:
            raise OSError(28, "No space left on device")
        path.write_bytes(data)

    monkeypatch.setattr(bundle_module, "write_durably", fail_on_the_third)
    with pytest.raises(OSError, match="No space"):
        write_fake(tmp_path)
    assert list((tmp_path / "bundles").iterdir()) == []


def test_a_price_model_that_nobody_serves_leaves_its_memory_at_once(demo_store: Path) -> None:
    registry = Registry(demo_store)
    current = registry.current()
    assert current is not None
    bundle = read_bundle(registry.folder(current.version))
    check_values(bundle)
    model = bundle.valuer.model
    assert isinstance(model, GuitarModel)
    there = weakref.ref(model.evaluator._memory)
    gc.collect()
    gc.disable()
    try:
        del bundle, model
        assert there() is None
    finally:
        gc.enable()
