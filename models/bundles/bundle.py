"""A bundle: all that one valuation needs, in a directory that is written once and never changed again.

<store>/bundles/<version>/ holds `manifest.json` (version, when it was made, what it is about, whether it is
provisional, the hash of the features, size and SHA-256 of every file), `catalogue.toml`, `rates.npz`, the
model's own files and any extra ones. All are text, JSON or npz without pickles. A version's name is the
moment it was made, then the first digits of the hash of all that it holds: names sort by age, and a changed
manifest no longer fits its name.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import secrets
import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from models.bundles.provisional import is_provisional
from models.domain.catalogue import Catalogue, read_catalogue
from models.domain.evidence_snapshot import EVIDENCE, NO_EVIDENCE, EvidenceSnapshot
from models.domain.money import Rates
from models.errors import BundleDamagedError, BundleError, BundleMissingError
from models.price.instruments.features import feature_hash
from models.price.interface import PriceModel
from models.valuation.valuer import Valuer

FORMAT = 1
MANIFEST, CATALOGUE, RATES = "manifest.json", "catalogue.toml", "rates.npz"
_OWN = (MANIFEST, CATALOGUE, RATES)
_TEXT = (".csv", ".html", ".json", ".md", ".svg", ".toml", ".txt")
_FILE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*(\.[A-Za-z0-9_-]+)+", re.ASCII)
_VERSION = re.compile(r"\d{8}T\d{9}Z-[0-9a-f]{8}", re.ASCII)
_HASH_DIGITS = 8

ModelReader = Callable[[Mapping[str, bytes], Catalogue], PriceModel]


@dataclass(frozen=True)
class Bundle:
    """A bundle that was read and verified."""

    version: str
    manifest: Mapping[str, Any]
    valuer: Valuer
    folder: Path

    def file(self, name: str) -> bytes:
        """Read one of its files, verified again. Raises BundleMissingError, BundleDamagedError."""
        return read_file(self.folder, self.manifest, name)


def is_version(name: str) -> bool:
    """Say whether the text has the form of a version's name."""
    return _VERSION.fullmatch(name) is not None


# ── writing ──────────────────────────────────────────────────────────────────


def write_bundle(
    store: Path,
    model: PriceModel,
    catalogue: Catalogue,
    rates: Rates,
    about: Mapping[str, Any],
    extra: Mapping[str, bytes] | None = None,
    *,
    provisional: bool = False,
) -> str:
    """Write a bundle and return its version; nothing of it is seen before all of it is on disk.

    `about`: what JSON can hold: the seed, the evidence, the figures of the fit. `extra`: more files by name.
    `provisional`: by the rule of `models.bundles.provisional`.
    Raises BundleError for a file that is neither text, JSON nor npz, or whose name is taken.
    """
    files = {CATALOGUE: catalogue.source.encode(), RATES: rates.to_bytes()}
    model_files = model.to_files()
    for name, data in [*model_files.items(), *(extra or {}).items()]:
        _check_file(name, data, files)
        files[name] = data
    if read_catalogue(catalogue.source) != catalogue:
        raise BundleError("the catalogue's text does not say what the catalogue holds")
    now = datetime.now(UTC)
    manifest: dict[str, Any] = {
        "format": FORMAT,
        "created": now.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
        "features": feature_hash(),
        "provisional": provisional,
        "about": json.loads(json.dumps(about, allow_nan=False)),
        "model_files": sorted(model_files),
        "files": {name: _entry(data) for name, data in sorted(files.items())},
    }
    stamp = f"{now:%Y%m%dT%H%M%S}{now.microsecond // 1000:03d}Z"
    version = f"{stamp}-{_content_hash(manifest)}"
    manifest["version"] = version
    files[MANIFEST] = (json.dumps(manifest, indent=1, sort_keys=True) + "\n").encode()
    _write_at_once(Path(store) / "bundles", version, files)
    return version


def _check_file(name: str, data: bytes, taken: Mapping[str, bytes]) -> None:
    if not _FILE_NAME.fullmatch(name):
        raise BundleError(f"{name!r} cannot be a file of a bundle: letters, digits, - and _, and an ending")
    if name in taken or name in _OWN:
        raise BundleError(f"{name}: the bundle has a file of this name already")
    suffix = Path(name).suffix
    if suffix not in (*_TEXT, ".npz"):
        raise BundleError(f"{name}: a bundle holds text, JSON and npz only ({', '.join((*_TEXT, '.npz'))})")
    try:
        if suffix == ".json":
            json.loads(data)
        elif suffix in _TEXT:
            data.decode()
        elif data[:2] != b"PK":
            raise ValueError("it is not npz")
    except ValueError as error:
        raise BundleError(f"{name}: is not what its ending says: {error}") from error


def _write_at_once(folder: Path, version: str, files: Mapping[str, bytes]) -> None:
    """Write all files beside their folder, wait until the disk has them, then move them there at once."""
    folder.mkdir(parents=True, exist_ok=True)
    aside = folder / f".writing-{secrets.token_hex(6)}"
    aside.mkdir()
    try:
        for name, data in files.items():
            write_durably(aside / name, data)
        sync_folder(aside)
        aside.rename(folder / version)
    except BaseException:
        shutil.rmtree(aside, ignore_errors=True)
        raise
    sync_folder(folder)


def write_durably(path: Path, data: bytes) -> None:
    """Write a file and wait until the disk has it."""
    with path.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def sync_folder(folder: Path) -> None:
    """Wait until the disk has the folder's own entries: a rename is not durable before that."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _entry(data: bytes) -> dict[str, Any]:
    return {"sha256": hashlib.sha256(data).hexdigest(), "size": len(data)}


def _content_hash(manifest: Mapping[str, Any]) -> str:
    """The first digits of the hash of all that the manifest says, its own version apart."""
    said = {key: value for key, value in manifest.items() if key != "version"}
    return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()[:_HASH_DIGITS]


# ── reading ──────────────────────────────────────────────────────────────────


def read_bundle(
    folder: Path, manifest_sha256: str | None = None, *, read_model: ModelReader | None = None
) -> Bundle:
    """Read and verify a bundle. `manifest_sha256`: what the manifest's own hash must be.

    Raises BundleMissingError, BundleDamagedError naming the file, or BundleError for one of other features.
    """
    manifest = read_manifest(folder, manifest_sha256)
    if manifest["features"] != feature_hash():
        raise BundleError(
            f"bundle {folder.name} was fitted for other features than this program's: fit again"
        )
    files = verify_files(folder, manifest)
    reader = read_model or _reader()
    try:
        catalogue = read_catalogue(files[CATALOGUE].decode())
        rates = Rates.from_bytes(files[RATES])
        model = reader({name: files[name] for name in manifest["model_files"]}, catalogue)
        snapshot = EvidenceSnapshot.from_bytes(files[EVIDENCE]) if EVIDENCE in files else NO_EVIDENCE
    except (ArithmeticError, LookupError, TypeError, ValueError) as error:
        raise BundleDamagedError(f"bundle {folder.name}: its model cannot be read: {error!r}") from error
    valuer = Valuer(model, catalogue, rates, folder.name, snapshot, is_provisional(manifest))
    return Bundle(folder.name, manifest, valuer, folder)


def read_manifest(folder: Path, sha256: str | None = None) -> dict[str, Any]:
    """The manifest, held against `sha256`, its folder's name and its own content, not against its files.

    Raises BundleMissingError, BundleDamagedError, or BundleError for a format this program does not know.
    """
    data = manifest_bytes(folder)
    if sha256 is not None and hashlib.sha256(data).hexdigest() != sha256:
        raise BundleDamagedError(f"bundle {folder.name}: {MANIFEST} is not the one that was promoted")
    try:
        manifest = json.loads(data)
        known = manifest["format"] == FORMAT
        fits = manifest["version"] == folder.name and folder.name.endswith("-" + _content_hash(manifest))
    except (ValueError, LookupError, TypeError, AttributeError) as error:
        raise BundleDamagedError(f"bundle {folder.name}: {MANIFEST} cannot be read: {error!r}") from error
    if not known:
        found = manifest["format"]
        raise BundleError(f"bundle {folder.name} is of format {found!r}; this program reads {FORMAT}")
    if not fits:
        raise BundleDamagedError(f"bundle {folder.name}: {MANIFEST} does not fit the bundle's name")
    return dict(manifest)


def manifest_bytes(folder: Path) -> bytes:
    """The manifest as it stands on disk. Raises BundleMissingError, BundleDamagedError."""
    if not folder.is_dir():
        raise BundleMissingError(f"there is no bundle {folder.name} in {folder.parent.parent}")
    try:
        return (folder / MANIFEST).read_bytes()
    except OSError as error:
        raise BundleDamagedError(f"bundle {folder.name}: {MANIFEST}: {error.strerror}") from error


def verify_files(folder: Path, manifest: Mapping[str, Any]) -> dict[str, bytes]:
    """Every file, held against its size and hash. Raises BundleDamagedError naming the first that differs."""
    return {name: _verified(folder, name, entry) for name, entry in manifest["files"].items()}


def read_file(folder: Path, manifest: Mapping[str, Any], name: str) -> bytes:
    """One file of a bundle, verified. Raises BundleMissingError, BundleDamagedError."""
    if name not in manifest["files"]:
        raise BundleMissingError(f"bundle {folder.name} has no file {name}")
    return _verified(folder, name, manifest["files"][name])


def _verified(folder: Path, name: str, entry: Mapping[str, Any]) -> bytes:
    try:
        if not _FILE_NAME.fullmatch(name):
            raise BundleDamagedError(f"bundle {folder.name}: {name!r} cannot be a file of a bundle")
        data = (folder / name).read_bytes()
    except OSError as error:
        raise BundleDamagedError(f"bundle {folder.name}: {name}: {error.strerror}") from error
    if _entry(data) != dict(entry):
        raise BundleDamagedError(f"bundle {folder.name}: {name} is not what was written: its hash differs")
    return data


def _reader() -> ModelReader:
    from models.price.instruments.model import read_model  # late: listing bundles needs no model

    reader: ModelReader = read_model
    return reader
