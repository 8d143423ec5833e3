"""Fault injection: 16 callers, models promoted and rolled back, workers killed, the database restarted.

`make faults` runs it for a minute (`MINUTES=10` for ten) on fitted models and prints the table; the suite
runs ten seconds of it, on fakes (`test_fault_injection.py`). Backups are made all the while.
"""

from __future__ import annotations

import itertools
import statistics
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import psycopg
from fault_actors import Caller, Killer, Operator, Tally
from fault_backups import Backup, Keeper, missing_of
from ground import Ground, fitted_ground
from postgres import new_database_of, server_in, start, stop
from running import Running

CACHE = Path(__file__).parents[2] / ".cache" / "faults"
CALLERS, DOWN_SECONDS = 16, 2.0
AFTER_A_KILL, AFTER_THE_DATABASE = 1.0, 3.0  # seconds in which an error can still be theirs


@dataclass
class Report:
    """The findings of one fault-injection run."""

    seconds: float
    tally: Tally
    down: tuple[float, float]
    failures: list[str]
    unreadable: list[str]
    records: int
    backups: list[Backup]
    missing: list[str]
    slack: float  # how much longer than on a machine of one's own an error can take to be noticed

    @property
    def unexplained(self) -> list[str]:
        """Errors that neither a killed worker nor the stopped database accounts for."""
        kills, (gone, back) = self.tally.kills, self.down
        broken = [
            f"{name} {at - max((k for k in kills if k <= at), default=0):.2f} s after a kill"
            for at, name in self.tally.broken
            if not any(kill <= at <= kill + AFTER_A_KILL * self.slack for kill in kills)
        ]
        refused = [
            f"{name} at {at - gone:+.2f} s of the database's end"
            for at, name in self.tally.refused
            if not gone <= at <= back + AFTER_THE_DATABASE * self.slack
        ]
        return broken + refused

    @property
    def most_broken_by_a_kill(self) -> int:
        """Connections that broke in the second after one kill, at most."""
        times = [at for at, _ in self.tally.broken]
        return max((sum(k <= at <= k + AFTER_A_KILL for at in times) for k in self.tally.kills), default=0)

    @property
    def needless(self) -> int:
        """Count refusals of requests that need no record: workers begun without a database know no key."""
        return sum(a.status == 503 and a.asked.endswith("attributions") for a in self.tally.answers)

    @property
    def stale(self) -> float:
        """Seconds after a change was answered at which a request still met the model before it, at most."""
        longest = 0.0
        for (_, done, current), (later, _, _) in itertools.pairwise([*self.tally.changes, (1e18, 0.0, "")]):
            old = [
                a.began - done
                for a in self.tally.answers
                if done < a.began
                and a.ended < later
                and a.version not in (None, current)
                and not a.asked.startswith("GET")
            ]
            longest = max(longest, *old, 0.0)
        return longest

    def rows(self) -> list[tuple[str, str]]:
        """The table: what, and how much of it."""
        tally, good = self.tally, [a for a in self.tally.answers if a.status < 300]
        times = sorted(a.ended - a.began for a in good)
        kinds = Counter(f"{a.asked} {a.status}" for a in good)
        return [
            ("seconds, connections", f"{self.seconds:.0f}, {CALLERS}"),
            *((f"answers {kind}", f"{count:,}") for kind, count in sorted(kinds.items())),
            ("median and 99th percentile of their time", f"{_ms(times, 0.5)}, {_ms(times, 0.99)} ms"),
            ("promotions and rollbacks answered", str(len(tally.changes))),
            ("median time of one", f"{1000 * statistics.median(b - a for a, b, _ in tally.changes):.0f} ms"),
            ("changes that failed", str(len(self.failures))),
            ("old model still met after a change, at most", f"{self.stale:.2f} s"),
            ("workers killed", str(len(tally.kills))),
            (
                "connections that broke, at most by one kill",
                f"{len(tally.broken)}, {self.most_broken_by_a_kill}",
            ),
            ("database away", f"{self.down[1] - self.down[0]:.1f} s"),
            (
                "503 with Retry-After meanwhile, where no record is needed",
                f"{len(tally.refused)}, {self.needless}",
            ),
            ("errors that neither accounts for", str(len(self.unexplained))),
            ("wrong answers", str(len(tally.wrong))),
            ("valuations answered 201", f"{len(tally.made):,}"),
            ("of these not readable again, to the byte", str(len(self.unreadable))),
            ("backups made, and restored", str(len(self.backups))),
            (
                "of what was answered before each, missing in it",
                f"{len(self.missing)} of {sum(len(backup.before) for backup in self.backups):,}",
            ),
            (
                "records in the database; names they were asked under",
                f"{self.records:,}; {len(tally.names):,}",
            ),
        ]


def _ms(times: list[float], share: float) -> str:
    return f"{1000 * times[int(share * (len(times) - 1))]:.1f}"


def inject_faults(
    folder: Path,
    ground: Ground,
    server: Any,
    seconds: float,
    changes: int,
    kill_every: float,
    backup_every: float,
    slack: float = 1.0,
) -> Report:
    """Inject faults while callers ask: `changes` promotions, as many rollbacks, a restart of the database."""
    database, tally = new_database_of(server), Tally()
    first, *others = ground.models
    models = [first, *(others[at % len(others)] for at in range(changes))]
    with Running(folder, ground.store, ground.fake, {"BOOKMATCH_DATABASE": database}) as service:
        key = service.new_key("admin")
        callers = [Caller(service, ground, tally, seed) for seed in range(CALLERS)]
        killer = Killer(service, tally, kill_every)
        keeper = Keeper(service, folder, tally, backup_every)
        operator = Operator(service, key, models, tally, seconds / (2 * changes + 1))
        began = time.monotonic()
        for thread in (*callers, killer, keeper, operator):
            thread.start()
        time.sleep(seconds / 2)
        down = _restart(server)
        time.sleep(max(0.0, began + seconds - time.monotonic()))
        for thread in (killer, keeper):
            thread.stopped.set()
            thread.join()
        operator.join()
        for caller in callers:
            caller.stopped.set()
        for caller in callers:
            caller.join()
        took = time.monotonic() - began
        service.wait_until_ready()
        unreadable = _unreadable(service, tally)
    with psycopg.connect(database) as connection:
        ((records,),) = connection.execute("SELECT count(*) FROM valuation").fetchall()
    missing = [
        one
        for backup in keeper.backups
        for one in missing_of(backup, folder / backup.file.stem, ground.store, fake=ground.fake)
    ]
    return Report(took, tally, down, operator.failures, unreadable, records, keeper.backups, missing, slack)


def _restart(server: Any) -> tuple[float, float]:
    gone = time.monotonic()
    stop(server)
    time.sleep(DOWN_SECONDS)
    start(server)
    return gone, time.monotonic()


def _unreadable(service: Running, tally: Tally) -> list[str]:
    with httpx.Client(base_url=service.url, headers=service.headers, timeout=30) as client:
        return [
            id_ for id_, body in tally.made.items() if client.get(f"/v1/valuations/{id_}").content != body
        ]


def main(minutes: float) -> int:
    """So many minutes of it; leaves with 1 if anything was wrong."""
    with tempfile.TemporaryDirectory() as folder:
        server = server_in(Path(folder) / "postgres")
        try:
            ground = fitted_ground(Path(folder), CACHE)
            report = inject_faults(
                Path(folder), ground, server, 60 * minutes, round(20 * minutes), 5.0, 20 * minutes
            )
        finally:
            server.cleanup()
    for name, said in report.rows():
        print(f"{name:<60} {said}")
    faults = [
        *report.tally.wrong,
        *report.failures,
        *report.unexplained,
        *report.unreadable,
        *report.missing,
    ]
    print(*faults[:20], sep="\n")
    return 1 if faults or report.records != len(report.tally.names) else 0


if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1])))
