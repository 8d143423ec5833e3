"""Write the catalogue as TOML, so that `read_catalogue` gives the same models."""

import json
from collections.abc import Iterable
from dataclasses import asdict
from typing import Any

from models.domain.catalogue.entries import Model

_LISTS = {"finishes": "finish", "editions": "edition", "watchpoints": "watchpoint"}


def entry_of(model: Model) -> dict[str, Any]:
    """Return a model as a file has it, which `read_entry` takes; what is not known is left out."""
    found = _known(asdict(model))
    return {
        _LISTS.get(key, key): [_known(one) for one in value] if key in _LISTS else value
        for key, value in found.items()
    }


def _known(table: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in table.items() if value is not None and value != ()}


def as_toml(models: Iterable[Model]) -> str:
    """Return the text of a catalogue with these models."""
    return "\n".join("".join(_lines(entry_of(model))) for model in models)


def _lines(entry: dict[str, Any]) -> Iterable[str]:
    yield "[[model]]\n"
    tables = {key: value for key, value in entry.items() if isinstance(value, list)}
    yield from (_line(key, value) for key, value in entry.items() if key not in tables)
    for key, rows in tables.items():
        for row in rows:
            yield f"[[model.{key}]]\n"
            yield from (_line(name, value) for name, value in row.items())


def _line(key: str, value: Any) -> str:
    # A string, number or truth value of JSON is one of TOML too, but for the character DEL.
    return f"{key} = {json.dumps(value, ensure_ascii=False)}\n".replace("\x7f", "\\u007f")
