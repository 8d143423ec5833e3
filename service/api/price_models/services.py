"""The price models of the store for answers: their figures, their cards, and which one is current."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from models.bundles.bundle import read_file, verify_files
from models.bundles.provisional import is_provisional
from models.errors import BundleError
from service.api.price_models.schemas import dump_change, dump_entry, dump_list
from service.api.price_models.store import current, reason_of, registry, translate_store_errors
from service.context import bundle, context
from service.errors import NoCardError

CURRENT = "current"
MOST_CHANGES = 200


def listed() -> dict[str, Any]:
    """Return every price model of the store, oldest first, and which one is current and which one serves."""
    now, live = current(), context().live
    with translate_store_errors():
        versions = registry().versions()
    entries = [_entry(version, now) for version in versions]
    return dump_list(SimpleNamespace(models=entries, current=now, serving=live.version, refused=live.refused))


def shown(version: str) -> dict[str, Any]:
    """Describe one model and verify its files. Raises UnknownModelError; NoBundleError if none serves."""
    return dump_entry(_entry(_named(version), current(), verify_all=True))


def _entry(version: str, now: str | None, *, verify_all: bool = False) -> SimpleNamespace:
    about, created, provisional, problem = {}, None, None, None
    with translate_store_errors(version):
        registry().check_has(version)
    try:
        manifest = registry().manifest(version)
        about, created = manifest["about"], manifest["created"]
        provisional = is_provisional(manifest)
        if verify_all:
            verify_files(registry().folder(version), manifest)
    except BundleError as error:  # a damaged bundle must not hide the others
        problem = reason_of(error)
    return SimpleNamespace(
        version=version,
        created=created,
        current=version == now,
        provisional=provisional,
        problem=problem,
        evidence=about.get("evidence"),
        judged=about.get("judged"),
        gate=about.get("gate"),
    )


def changes() -> list[dict[str, Any]]:
    """Return the latest promotions and rollbacks, newest first."""
    with translate_store_errors():
        return [dump_change(change) for change in reversed(registry().history()[-MOST_CHANGES:])]


def card(version: str, name: str) -> bytes:
    """Return a file of a price model's card, unchanged.

    Raises UnknownModelError, NoCardError, ModelRefusedError; for the current model NoBundleError if none
    serves.
    """
    found = bundle() if version == CURRENT else None
    with translate_store_errors(version):
        folder = found.folder if found else registry().folder(version)
        manifest = found.manifest if found else registry().manifest(version)
        if name not in manifest["files"]:
            raise NoCardError(f"The price model {folder.name} was made without a card.")
        return read_file(folder, manifest, name)


def _named(version: str) -> str:
    return bundle().version if version == CURRENT else version
