"""A dozen owners at once, each with a photograph: nothing is lost, and others get their values meanwhile."""

from __future__ import annotations

from pathlib import Path

from fakes import write_fake
from many_owners import meet, photograph

from models.bundles.registry import Registry


def test_owners_with_photographs_lose_nothing_and_keep_nobody_waiting(tmp_path: Path) -> None:
    store = tmp_path / "store"
    Registry(store).promote(write_fake(store), who="tests", why="to serve")
    picture = photograph((1500, 1000), 500_000)
    report = meet(tmp_path, store, {"maker": "Ostvik", "model": "Dal"}, fake=True, owners=12, picture=picture)
    for name, said in report.rows():
        print(f"{name:<60} {said}")
    assert report.failures == []
    assert len(report.beside) > 1
