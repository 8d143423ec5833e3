"""Rules and spreads of common practice, written as TOML by the tests' own writer."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

RULE: dict[str, Any] = {
    "name": "refinished",
    "says": "A refinished one brings half.",
    "of": {"originality_finish": "refinished"},
    "against": {"originality_finish": "original"},
    "low": 0.45,
    "high": 0.55,
    "as_if_sales": 6,
    "source": "common practice",
}


def written(rules: list[Mapping[str, Any]], kind: str = "rule") -> str:
    """The rules as TOML; what is None is left out."""
    return "\n".join(f"[[{kind}]]\n{_keys(rule)}" for rule in rules)


def _keys(rule: Mapping[str, Any]) -> str:
    return "".join(f"{key} = {_literal(value)}\n" for key, value in rule.items() if value is not None)


def _literal(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_literal(inner)}" for key, inner in value.items()) + " }"
    return json.dumps(value, ensure_ascii=False)  # text, true, false and numbers are written alike in both
