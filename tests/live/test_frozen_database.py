"""A PostgreSQL that is stopped for some seconds: nobody waits for it, and all is well soon after."""

from __future__ import annotations

from pathlib import Path

from frozen_database import freeze
from ground import fake_ground
from postgres import server_in


def test_a_database_that_says_nothing_keeps_nobody_waiting(tmp_path: Path) -> None:
    server = server_in(tmp_path / "postgres")
    try:
        report = freeze(tmp_path, fake_ground(tmp_path), server, seconds=7)
    finally:
        server.cleanup()
    for name, said in report.rows():
        print(f"{name:<60} {said}")
    assert report.faults() == []
