"""Price models of an application: more of them, promoted, rolled back and damaged."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from apps import parts
from asking import Caller
from fakes import write_fake

GOOD = {
    "passed": True,
    "checks": [{"name": "coverage", "passed": True, "detail": "holds"}],
    "common_sales": 9,
}
WHY = {"why": "newer sales"}


def store_of(caller: Caller) -> Path:
    return parts(caller.app).settings.store


def another(caller: Caller, base: float = 9.0, gate: Any = GOOD, **about: Any) -> str:
    return write_fake(store_of(caller), base, gate=gate, **about)


def promote(caller: Caller, version: str, **asked: Any) -> Any:
    return caller.post(f"/v1/price-models/{version}/promote", {**WHY, **asked})


def roll_back(caller: Caller, version: str, **asked: Any) -> Any:
    return caller.post(f"/v1/price-models/{version}/rollback", {**WHY, **asked})


def damage(store: Path, version: str) -> None:
    (store / "bundles" / version / "fake.json").write_text('{"base": 1, "spread": 1}')
