"""The shared objects of a running application, and the one bundle that a request uses from start to end."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from flask import current_app, g
from sqlalchemy import Connection, Engine

from models.bundles.bundle import Bundle
from service.blobs.store import Blobs
from service.keys.callers import Callers
from service.keys.records import KeyRing
from service.server.bundle_cache import BundleCache
from service.server.figures import Figures
from service.server.live_bundle import LiveBundle
from service.server.quotas import Limits
from service.server.recent import LastAnswer, RecentCache
from service.settings import Settings

# Called in the transaction that erases the owner of the request with this id; returns what is to be done once
# the transaction has ended, or None.
Forgetter = Callable[[Connection, str], Callable[[], object] | None]


@dataclass(frozen=True)
class Context:
    """The objects that all requests of an application share; `service.app` makes them."""

    settings: Settings
    engine: Engine
    blobs: Blobs
    live: LiveBundle
    bundle_cache: BundleCache
    keys: KeyRing
    callers: Callers
    limits: Limits
    figures: Figures
    studies: RecentCache[Hashable, dict[str, Any]]  # made by `service.api.performance`
    database_state: LastAnswer[Any]  # made by `service.api.health`
    forgetters: Sequence[Forgetter] = ()  # what else than the request itself knows an owner who is erased


def context() -> Context:
    """Return the shared objects of the application that handles this request."""
    parts: Context = current_app.extensions["bookmatch"]
    return parts


def use_bundle(version: str) -> Bundle:
    """Return the bundle of this version and use it for this request. Raises BundleGoneError."""
    live = context().live.bundle_of(version)
    current: Bundle = live or context().bundle_cache.bundle(version)
    g.bundle = current
    return current


def today() -> date:
    """Return the present day in UTC."""
    return datetime.now(UTC).date()


def bundle() -> Bundle:
    """Return the bundle of this request, the same one at every call. Raises NoBundleError."""
    current: Bundle | None = g.get("bundle")
    if current is None:
        current = g.bundle = context().live.bundle()
    return current
