"""A disk that fills up under SQLite: a clean refusal, nothing half written, and all is well with room."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from fakes import write_fake
from running import Running

from models.bundles.registry import Registry

ASKED = {"instrument": {"maker": "Ostvik", "model": "Dal", "year": 1966}, "date": "2026-01-02"}


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """A file system of four megabytes."""
    place = tmp_path / "small"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(place)]
    if os.geteuid() or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("only root may mount the small disk of this test; test_outages has the same without it")
    yield place
    subprocess.run(["umount", "--lazy", str(place)], check=True)


def fill(path: Path) -> None:
    with path.open("wb", buffering=0) as stream:
        try:
            while True:
                stream.write(b"x" * 4096)
        except OSError:
            return


def test_a_full_disk_is_a_clean_refusal_and_room_mends_it(tmp_path: Path, small: Path) -> None:
    store = tmp_path / "store"
    Registry(store).promote(write_fake(store), who="tests", why="to serve")
    settings = {"BOOKMATCH_DATABASE": f"sqlite:///{small}/service.db"}
    with (
        Running(tmp_path, store, settings=settings) as service,
        httpx.Client(base_url=service.url, headers=service.headers, timeout=30) as client,
    ):
        made = [client.post("/v1/valuations", json=ASKED) for _ in range(10)]
        fill(small / "filler")
        refused = 0
        for number in range(400):
            key = {"Idempotency-Key": f"full-{number}"}
            found = client.post("/v1/valuations", json=ASKED, headers=key)
            if found.status_code == 201:  # into pages that the database had already
                made.append(found)
                continue
            assert (found.status_code, found.json()["type"]) == (507, "/docs#problem-no-room"), found.text
            refused += 1
            assert client.post("/v1/intervals", json=ASKED).status_code == 200
            if refused == 20:
                break
        assert refused == 20
        for one in made:
            assert client.get(one.headers["Location"]).content == one.content
        ready = client.get("/readyz")
        assert ready.status_code == 503 and not ready.json()["checks"]["disk"]["ok"]
        (small / "filler").unlink()
        assert client.get("/readyz").status_code == 200
        again = [client.post("/v1/valuations", json=ASKED, headers=key) for _ in range(2)]
        assert again[0].status_code == 201 and again[0].content == again[1].content
        for one in [*made, again[0]]:
            assert client.get(one.headers["Location"]).content == one.content
