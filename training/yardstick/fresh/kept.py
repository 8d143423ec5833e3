"""The figures of the markets that are done, in a file, so that a run that was ended goes on where it was."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from models.errors import BookmatchError
from training.yardstick.fresh.measure import Measured

_ROOT = Path(__file__).resolve().parents[3]
# The figures come of these; what only prints them is not among them.
_SOURCES = ("models", "training/demo", "training/fit", "training/yardstick/fresh")
_PRINTING = ("__main__.py", "kept.py", "table.py")


class OtherCodeError(BookmatchError):
    """The file has figures of another state of the code."""


def code_hash(root: Path = _ROOT) -> str:
    """The hash of the code that figures come of: figures of two states of it belong in no one table."""
    fresh = root / _SOURCES[-1]
    paths = sorted(path for folder in _SOURCES for path in (root / folder).rglob("*.py"))
    found = hashlib.sha256()
    for path in paths:
        if path.parent != fresh or path.name not in _PRINTING:
            found.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    return found.hexdigest()


def read(path: Path, code: str) -> list[Measured]:
    """The markets in the file; none where there is no file. Raises OtherCodeError."""
    if not path.exists():
        return []
    kept = json.loads(path.read_text(encoding="utf-8"))
    if kept["code"] != code:
        raise OtherCodeError(
            f"{path} has figures of another state of the code: move it, or name another file"
        )
    return [
        Measured(**{**market, "inside": {name: tuple(n) for name, n in market["inside"].items()}})
        for market in kept["markets"]
    ]


def write(path: Path, code: str, markets: Sequence[Measured]) -> None:
    """Write the file whole, and put it in the place of the one before at once."""
    text = json.dumps({"code": code, "markets": [asdict(market) for market in markets]}, indent=1)
    beside = path.with_name(path.name + ".part")
    beside.write_text(text + "\n", encoding="utf-8")
    os.replace(beside, path)
