"""A bundle: a folder with all that a valuation needs, written once and never changed again.

<store>/bundles/<version>/ holds `manifest.json` (version, time of writing, facts about the fit, whether it is
provisional, the hash of the feature columns, size and SHA-256 of every file), `catalogue.toml`, `rates.npz`,
the model's own files and any extra ones. All are text, JSON or npz without pickles. A version's name is the
time of writing, then the first digits of the hash of its contents. So names sort by age, and a changed
manifest no longer fits its name.
"""

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
from typing import Any, Protocol

from models.bundles.manifest import check_manifest
from models.bundles.provisional import is_provisional
from models.domain.catalogue import Catalogue, read_catalogue
from models.domain.evidence_snapshot import EVIDENCE, NO_EVIDENCE, EvidenceSnapshot
from models.domain.money import Rates
from models.errors import BookmatchError, BundleDamagedError, BundleError, BundleMissingError
from models.price.core.checks import read_json
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
    """A bundle that was read from disk and verified."""

    version: str
    manifest: Mapping[str, Any]
    valuer: Valuer
    folder: Path

    def file(self, name: str) -> bytes:
        """Read one file of the bundle and verify it again. Raises BundleMissingError, BundleDamagedError."""
        return read_file(self.folder, self.manifest, name)


class Shelf(Protocol):
    """A store that is no folder, to which bundles can be added."""

    def add(self, version: str, files: Mapping[str, bytes]) -> None:
        """Add a bundle; it appears only once all its files are there."""
        ...


def is_version(name: str) -> bool:
    """Say whether the text has the form of a bundle version."""
    return _VERSION.fullmatch(name) is not None


def is_file_name(name: str) -> bool:
    """Say whether a bundle can have a file of this name."""
    return _FILE_NAME.fullmatch(name) is not None


def write_bundle(
    store: Path | Shelf,
    model: PriceModel,
    catalogue: Catalogue,
    rates: Rates,
    about: Mapping[str, Any],
    extra: Mapping[str, bytes] | None = None,
    *,
    provisional: bool = False,
) -> str:
    """Write a bundle and return its version; the bundle appears only once all its files are on disk.

    `about`: JSON facts about the fit, such as its seed, evidence and figures. `extra`: more files, name →
    content. `provisional`: the answer of `models.bundles.provisional.provisional`.
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
    if isinstance(store, Path):
        write_at_once(store / "bundles", version, files)
    else:
        store.add(version, files)
    return version


def _check_file(name: str, data: bytes, taken: Mapping[str, bytes]) -> None:
    if not is_file_name(name):
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


def write_at_once(folder: Path, version: str, files: Mapping[str, bytes]) -> None:
    """Write all files to a temporary folder, wait until the disk has them, then rename it to the version."""
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
    """Write a file and wait until it is on disk."""
    with path.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def sync_folder(folder: Path) -> None:
    """Wait until the folder's list of files is on disk: a rename is not durable before that."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _entry(data: bytes) -> dict[str, Any]:
    return {"sha256": hashlib.sha256(data).hexdigest(), "size": len(data)}


def _content_hash(manifest: Mapping[str, Any]) -> str:
    """Return the first digits of the hash of the manifest without its version."""
    said = {key: value for key, value in manifest.items() if key != "version"}
    return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()[:_HASH_DIGITS]


def read_bundle(
    folder: Path, manifest_sha256: str | None = None, *, read_model: ModelReader | None = None
) -> Bundle:
    """Read and verify a bundle. `manifest_sha256`: the hash that the manifest must have, if given.

    Raises BundleMissingError, BundleDamagedError that names the file, or BundleError if the bundle was fitted
    on other feature columns or has another format.
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
    except BookmatchError as error:
        raise BundleDamagedError(f"bundle {folder.name}: {error}") from error
    except Exception as error:  # files of a stranger can raise anything
        raise BundleDamagedError(f"bundle {folder.name}: its model cannot be read: {error!r}") from error
    valuer = Valuer(model, catalogue, rates, folder.name, snapshot, is_provisional(manifest))
    return Bundle(folder.name, manifest, valuer, folder)


def read_manifest(folder: Path, sha256: str | None = None) -> dict[str, Any]:
    """Read a manifest and verify it against `sha256` (if given), its folder's name and its own content.

    The files that it lists are not verified. Raises BundleMissingError, BundleDamagedError, or BundleError
    for a format that this program does not know.
    """
    data = manifest_bytes(folder)
    if sha256 is not None and hashlib.sha256(data).hexdigest() != sha256:
        raise BundleDamagedError(f"bundle {folder.name}: {MANIFEST} is not the one that was promoted")
    try:
        manifest = read_json(data)
        known = manifest["format"] == FORMAT
        fits = manifest["version"] == folder.name and folder.name.endswith("-" + _content_hash(manifest))
    except (ValueError, LookupError, TypeError, AttributeError) as error:
        raise BundleDamagedError(f"bundle {folder.name}: {MANIFEST} cannot be read: {error!r}") from error
    if not known:
        found = manifest["format"]
        raise BundleError(f"bundle {folder.name} is of format {found!r}; this program reads {FORMAT}")
    if not fits:
        raise BundleDamagedError(f"bundle {folder.name}: {MANIFEST} does not fit the bundle's name")
    try:
        check_manifest(manifest)
    except ValueError as error:
        raise BundleDamagedError(f"bundle {folder.name}: {MANIFEST}: {error}") from error
    return dict(manifest)


def manifest_bytes(folder: Path) -> bytes:
    """Read the bytes of a manifest without verifying them. Raises BundleMissingError, BundleDamagedError."""
    if not folder.is_dir():
        raise BundleMissingError(f"there is no bundle {folder.name} in {folder.parent.parent}")
    try:
        return (folder / MANIFEST).read_bytes()
    except OSError as error:
        raise BundleDamagedError(f"bundle {folder.name}: {MANIFEST}: {error.strerror}") from error


def verify_files(folder: Path, manifest: Mapping[str, Any]) -> dict[str, bytes]:
    """Read every file and verify its size and hash. Raises BundleDamagedError for the first that differs."""
    return {name: _verified(folder, name, entry) for name, entry in manifest["files"].items()}


def read_file(folder: Path, manifest: Mapping[str, Any], name: str) -> bytes:
    """Read and verify one file of a bundle. Raises BundleMissingError, BundleDamagedError."""
    if name not in manifest["files"]:
        raise BundleMissingError(f"bundle {folder.name} has no file {name}")
    return _verified(folder, name, manifest["files"][name])


def _verified(folder: Path, name: str, entry: Mapping[str, Any]) -> bytes:
    try:
        if not is_file_name(name):
            raise BundleDamagedError(f"bundle {folder.name}: {name!r} cannot be a file of a bundle")
        data = (folder / name).read_bytes()
    except OSError as error:
        raise BundleDamagedError(f"bundle {folder.name}: {name}: {error.strerror}") from error
    if _entry(data) != dict(entry):
        raise BundleDamagedError(f"bundle {folder.name}: {name} is not what was written: its hash differs")
    return data


def _reader() -> ModelReader:
    from models.price.instruments.model import read_model  # Imported late: listing bundles needs no model.

    reader: ModelReader = read_model
    return reader
