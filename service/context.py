"""What one running application has, and what one request of it uses from start to end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple, TypeVar

from flask import Request, current_app, g
from sqlalchemy import Engine

from models.bundle import Bundle
from service.keys.callers import Callers
from service.keys.records import KeyRing
from service.limits.quotas import Limits
from service.live import Live
from service.metrics.figures import Figures
from service.past import Past
from service.performance.kept import Studies
from service.settings import Settings

_T = TypeVar("_T")


@dataclass(frozen=True)
class Context:
    """The parts that the factory put together."""

    settings: Settings
    engine: Engine
    live: Live
    past: Past
    keys: KeyRing
    callers: Callers
    limits: Limits
    figures: Figures
    studies: Studies


class Exchange(NamedTuple):
    """One request and its answer: what was asked, Flask's `g` of it, the application's parts."""

    asked: Request
    have: Any
    context: Context


def found(name: _T) -> _T:
    """What Flask's `g` or `request` stands for now: each use of the name itself looks it up anew."""
    return name._get_current_object()  # type: ignore[attr-defined,no-any-return]


def context() -> Context:
    """That of the application that handles this request."""
    parts: Context = found(current_app).extensions["bookmatch"]
    return parts


def use_bundle(version: str) -> Bundle:
    """Answer this request by the bundle of this version, whatever is current. Raises BundleGoneError."""
    live = context().live.bundle_of(version)
    current: Bundle = live or context().past.bundle(version)
    g.bundle = current
    return current


def bundle() -> Bundle:
    """The bundle of this request: the same one however often it is asked for. Raises NoBundleError."""
    have = found(g)
    current: Bundle | None = have.get("bundle")
    if current is None:
        current = have.bundle = context().live.bundle()
    return current
