"""Check a manifest: it must have all members, and those that the program reads must have the right form."""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

_MEMBERS: Mapping[str, type] = {
    "version": str,
    "created": str,
    "features": str,
    "about": dict,
    "files": dict,
    "model_files": list,
}
_ENTRY: Mapping[str, type] = {"sha256": str, "size": int}
_CHECK: Mapping[str, type] = {"name": str, "passed": bool, "detail": str}
_TOLD = ("evidence", "judged", "gate")  # parts of `about` that are shown; each is an object or null


def check_manifest(found: Mapping[str, Any]) -> None:
    """Raise ValueError that names the first member of a manifest that is missing or not of its form."""
    _check_members("", found, _MEMBERS)
    datetime.fromisoformat(found["created"])
    if not isinstance(found.get("provisional", False), bool):
        raise ValueError("provisional is not of its form")
    for name, entry in found["files"].items():
        _check_members(f"files.{name}.", entry, _ENTRY)
    if not set(_texts("model_files", found["model_files"])) <= set(found["files"]):
        raise ValueError("model_files names what files does not")
    for name in _TOLD:
        if not isinstance(found["about"].get(name), dict | None):
            raise ValueError(f"about.{name} is not of its form")
    gate = found["about"].get("gate")
    if gate is not None:
        _check_members("about.gate.", gate, {"checks": list})
        for check in gate["checks"]:
            _check_members("about.gate.checks.", check, _CHECK)


def _check_members(where: str, found: Any, members: Mapping[str, type]) -> None:
    for name, kind in members.items():
        if not isinstance(found, dict) or not isinstance(found.get(name), kind):
            raise ValueError(f"{where}{name} is missing or not of its form")


def _texts(name: str, found: Iterable[Any]) -> list[str]:
    texts = list(found)
    if not all(isinstance(text, str) for text in texts):
        raise ValueError(f"{name} is not of its form")
    return texts
