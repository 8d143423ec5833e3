"""Backups made while faults are injected: each holds whatever was answered before it began."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path

import httpx
from fault_actors import Tally
from running import Running

_MOST_FAILURES = 20


@dataclass(frozen=True)
class Backup:
    """A backup, and the valuations that were answered before it began: id → body."""

    file: Path
    before: dict[str, bytes]


class Keeper(threading.Thread):
    """Makes a backup every so often, and at least one; what fails with the database away is tried again."""

    def __init__(self, service: Running, folder: Path, tally: Tally, every: float) -> None:
        super().__init__()
        self._service, self._folder, self._tally, self._every = service, folder, tally, every
        self.backups: list[Backup] = []
        self.failures: list[str] = []
        self.stopped = threading.Event()

    def run(self) -> None:
        while not self.stopped.wait(self._every) or not (self.backups or len(self.failures) > _MOST_FAILURES):
            file, before = self._folder / f"{len(self.backups)}.backup", self._tally.made.copy()
            try:
                self._service.call("backup", str(file))
            except AssertionError as error:
                self.failures.append(str(error))
                continue
            self.backups.append(Backup(file, before))


def missing_of(backup: Backup, folder: Path, store: Path, *, fake: bool) -> list[str]:
    """Restore the backup into an empty SQLite database, and return what is missing of it or is different."""
    folder.mkdir()
    settings = {"BOOKMATCH_DATABASE": f"sqlite:///{folder / 'restored.sqlite3'}"}
    service = Running(folder, store, fake, settings)
    service.call("migrate")
    service.call("restore", str(backup.file))
    service.key = service.call("keys", "create", "reader", "--scope", "valuations").strip()
    try:
        service.start()
        with httpx.Client(base_url=service.url, headers=service.headers, timeout=30) as client:
            return [
                f"{id_} of {backup.file.name}"
                for id_, body in backup.before.items()
                if client.get(f"/v1/valuations/{id_}").content != body
            ]
    finally:
        service.kill()
