"""A second run of the tests on this machine takes no database away from the first."""

from __future__ import annotations

from pathlib import Path

import psycopg
from postgres import server_in


def test_postgresql_goes_on_when_another_run_closes_the_folder_of_all_runs(tmp_path: Path) -> None:
    root = tmp_path / "pytest-of-somebody"
    server = server_in(root / "pytest-1" / "postgres")
    try:
        root.mkdir(exist_ok=True)
        root.chmod(0o700)  # as pytest does to the folder of all runs when it begins
        with psycopg.connect(server.get_uri(), autocommit=True) as connection:
            connection.execute("CHECKPOINT")
    finally:
        data = server.pgdata
        server.cleanup()
    assert not data.exists()
