"""Bundles that say what they should not, with hashes and a name that fit, as a stranger can make them."""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

Change = Callable[[Any], Any]  # changes the JSON or the arrays of a file in place


def forged(store: Path, version: str, file: str, change: Change) -> str:
    """Change a file of a bundle, or its manifest, and give the bundle's new version."""
    folder = store / "bundles" / version
    manifest = folder / "manifest.json"
    said: dict[str, Any] = json.loads(manifest.read_text())
    if file == manifest.name:
        change(said)
    else:
        data = _changed(folder / file, change)
        (folder / file).write_bytes(data)
        said["files"][file] = {"sha256": hashlib.sha256(data).hexdigest(), "size": len(data)}
    said.pop("version", None)
    digits = hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()[:8]
    made = version[:-8] + digits
    manifest.write_text(json.dumps({**said, "version": made}))
    folder.rename(folder.with_name(made))
    return made


def _changed(path: Path, change: Change) -> bytes:
    if path.suffix == ".json":
        state = json.loads(path.read_text())
        change(state)
        return json.dumps(state).encode()
    with np.load(path, allow_pickle=False) as npz:
        arrays = dict(npz)
    change(arrays)
    out = io.BytesIO()
    np.savez_compressed(out, **arrays)
    return out.getvalue()
