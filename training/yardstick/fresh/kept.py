"""Store the figures of finished markets in a file, so that a run that was stopped can continue."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from models.errors import BookmatchError
from training.yardstick.fresh.measure import MarketFigures

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

_ROOT = Path(__file__).resolve().parents[3]
# Folders with the code that the figures depend on, beside that of the study itself.
_SOURCES = ("models", "training/demo", "training/fit")
_FRESH = "training/yardstick/fresh"
_SUFFIXES = (".py", ".toml")
_PRINTING = ("__main__.py", "kept.py", "table.py")


class OtherCodeError(BookmatchError):
    """The file has figures of another version of the code."""


def code_hash(root: Path = _ROOT, studies: Sequence[str] = (_FRESH,)) -> str:
    """Return a hash of the code that the figures depend on: figures of two versions must not share a table.

    `studies`: the folders of the measuring code; their modules that only print or store are not hashed.
    """
    own = {root / study for study in studies}
    folders = [root / source for source in (*_SOURCES, *studies)]
    paths = sorted(path for folder in folders for path in folder.rglob("*") if path.suffix in _SUFFIXES)
    found = hashlib.sha256()
    for path in paths:
        if path.parent not in own or path.name not in _PRINTING:
            found.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    return found.hexdigest()


def read_rows(path: Path, code: str) -> list[dict[str, Any]]:
    """Return the markets in the file as JSON objects; none where there is no file. Raises OtherCodeError."""
    if not path.exists():
        return []
    kept: Mapping[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    if kept["code"] != code:
        raise OtherCodeError(
            f"{path} has figures of another state of the code: move it, or name another file"
        )
    return list(kept["markets"])


def read(path: Path, code: str) -> list[MarketFigures]:
    """Return the markets in the file; none where there is no file. Raises OtherCodeError."""
    return [
        MarketFigures(**{**market, "inside": {name: tuple(n) for name, n in market["inside"].items()}})
        for market in read_rows(path, code)
    ]


def write(path: Path, code: str, markets: Sequence[DataclassInstance]) -> None:
    """Write a whole new file, then put it in place of the old one in a single step."""
    text = json.dumps({"code": code, "markets": [asdict(market) for market in markets]}, indent=1)
    beside = path.with_name(path.name + ".part")
    beside.write_text(text + "\n", encoding="utf-8")
    os.replace(beside, path)
