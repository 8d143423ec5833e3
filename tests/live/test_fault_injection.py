"""Ten seconds of fault injection: no wrong answer, nothing lost, no error but of what was stopped."""

from __future__ import annotations

from pathlib import Path

from fault_injection import inject_faults
from ground import fake_ground
from postgres import server_in


def test_a_service_into_which_faults_are_injected_gives_no_wrong_answer_and_loses_none(
    tmp_path: Path,
) -> None:
    server = server_in(tmp_path / "postgres")
    try:
        report = inject_faults(
            tmp_path,
            fake_ground(tmp_path),
            server,
            seconds=10,
            changes=3,
            kill_every=2.5,
            backup_every=3.5,
            slack=2,
        )
    finally:
        server.cleanup()
    for name, said in report.rows():
        print(f"{name:<60} {said}")
    assert report.tally.wrong == []
    assert report.failures == [] and len(report.tally.changes) == 6
    assert report.unexplained == []
    assert report.unreadable == []
    assert report.backups and report.missing == []
    assert report.records == len(report.tally.made) == len(report.tally.names)
    # Faults were injected: callers asked all the while, workers died, the database went, models changed.
    assert len(report.tally.made) > 100 and len(report.tally.kills) >= 3 and report.tally.refused
    assert report.tally.met() >= {change[2] for change in report.tally.changes}
