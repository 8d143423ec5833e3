"""A worker that serves price models of an S3-compatible store: it follows promotions, and bears its absence."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import Caller, assert_problem
from backups import restored
from fakes import read_fake, write_fake
from flask import Flask
from object_store import S3_KEY, free_port, object_store

from models.bundles.registry import Registry
from service.blobs.places import store_of
from service.commands.check import findings
from service.server.live_bundle import LiveBundle

PORT = free_port()


@pytest.fixture(scope="module")
def endpoint() -> Iterator[str]:
    with object_store("price-models", port=PORT) as url:
        yield url


@pytest.fixture
def app(endpoint: str, new_database: NewDatabase, tmp_path: Path) -> Iterator[Flask]:
    """An application whose store has one promoted model."""
    places = {"files": str(tmp_path / "files"), "mail": f"file:{tmp_path / 'mail'}"}
    places |= {"files_endpoint": endpoint, "store_cache": str(tmp_path / "cache"), **S3_KEY}
    found = make_app(f"s3://price-models/{uuid4().hex}", new_database("sqlite"), **places)  # type: ignore[arg-type]
    store = store_of(parts(found).settings)
    Registry(store).promote(write_fake(store), who="tests", why="to serve")
    parts(found).live.look()
    yield found
    parts(found).engine.dispose()


def model_of(app: Flask) -> dict[str, object]:
    found: dict[str, object] = caller_of(app, "metrics").get("/readyz").json["checks"]["model"]
    return found
