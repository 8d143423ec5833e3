"""A few seconds beside slow clients: all others are answered, and each slow connection is closed in time."""

from __future__ import annotations

from pathlib import Path

from fakes import write_fake
from slow_clients import CROWD, meet

from models.bundles.registry import Registry

ASKED = {"instrument": {"maker": "Ostvik", "model": "Dal", "year": 1966}, "date": "2026-01-02"}


def test_hundreds_of_slow_clients_keep_nobody_else_from_an_answer(tmp_path: Path) -> None:
    store = tmp_path / "store"
    Registry(store).promote(write_fake(store), who="tests", why="to serve")
    # Fewer answers to take than in the long run: here they are begun again every few seconds, which is work.
    kinds = {**CROWD, "unread": 6}
    report = meet(tmp_path, store, ASKED, fake=True, seconds=12, client_seconds=5, kinds=kinds)
    for name, said in report.rows():
        print(f"{name:<60} {said}")
    assert report.faults() == []
    # The crowd was there: each kind was closed, and came again.
    assert all(len(report.lives[kind]) >= count for kind, count in kinds.items())
