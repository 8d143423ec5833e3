"""What one running application has, and what one request of it uses from start to end."""

from __future__ import annotations

from dataclasses import dataclass

from flask import current_app, g
from sqlalchemy import Engine

from models.bundle import Bundle
from service.keys.callers import Callers
from service.keys.records import KeyRing
from service.limits.quotas import Limits
from service.live import Live
from service.metrics.figures import Figures
from service.past import BundleCache
from service.performance.kept import Studies
from service.settings import Settings


@dataclass(frozen=True)
class Context:
    """The parts that the factory put together."""

    settings: Settings
    engine: Engine
    live: Live
    past: BundleCache
    keys: KeyRing
    callers: Callers
    limits: Limits
    figures: Figures
    studies: Studies


def context() -> Context:
    """Give the parts of the application that handles this request."""
    parts: Context = current_app.extensions["bookmatch"]
    return parts


def use_bundle(version: str) -> Bundle:
    """Answer this request by the bundle of this version, whatever is current. Raises BundleGoneError."""
    live = context().live.bundle_of(version)
    current: Bundle = live or context().past.bundle(version)
    g.bundle = current
    return current


def bundle() -> Bundle:
    """The bundle of this request: the same one however often it is asked for. Raises NoBundleError."""
    current: Bundle | None = g.get("bundle")
    if current is None:
        current = g.bundle = context().live.bundle()
    return current
