"""A child answers, refuses or fails, within its limits, and never harms the worker."""

from __future__ import annotations

import os
import tempfile
import threading
import time
from pathlib import Path

import pytest

from service.children import runner
from service.children.runner import ChildFailedError, ChildRefusedError, run
from service.errors import BusyError

MODULE = "children_for_tests"
ROOM = 2**27


@pytest.fixture(autouse=True)
def importable(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONPATH", f"{Path(__file__).parent}:{Path(__file__).parents[2]}")


def test_a_child_answers_bytes_and_files_alike() -> None:
    with tempfile.TemporaryFile() as file:
        file.write(b"skipped" + b"ab")
        file.seek(len(b"skipped"))
        assert run(MODULE, file, seconds=20, memory=ROOM, arguments=["double"]) == b"abab"
    assert run(MODULE, b"ab", seconds=20, memory=ROOM, arguments=["double"]) == b"abab"


def test_a_refusal_comes_with_its_reason() -> None:
    with pytest.raises(ChildRefusedError) as refused:
        run(MODULE, b"", seconds=20, memory=ROOM, arguments=["refuse"])
    assert str(refused.value) == "it is green\nand not blue"


def test_a_failure_tells_nothing_of_the_input() -> None:
    with pytest.raises(ChildFailedError) as failed:
        run(MODULE, b"", seconds=20, memory=ROOM, arguments=["fail"])
    assert "secret" not in str(failed.value)


def test_a_child_cannot_have_more_memory_than_it_may() -> None:
    with pytest.raises(ChildFailedError):
        run(MODULE, b"", seconds=20, memory=ROOM, arguments=["eat"])
    assert len(run(MODULE, b"", seconds=60, memory=2**32, arguments=["eat"])) == 2**28


@pytest.mark.parametrize("how", ["spin", "sleep"])
def test_a_child_cannot_take_longer_than_it_may(how: str) -> None:
    began = time.monotonic()
    with pytest.raises(ChildFailedError, match=r"longer than 1 seconds|ended with"):
        run(MODULE, b"", seconds=1, memory=ROOM, arguments=[how])
    assert time.monotonic() - began < 20


def test_whoever_waits_for_a_value_goes_first() -> None:
    assert int(run(MODULE, b"", seconds=20, memory=ROOM, arguments=["niceness"])) >= min(19, os.nice(0) + 10)


def test_no_more_than_two_children_work_at_once() -> None:
    most = running = 0
    lock = threading.Lock()
    real = runner.subprocess.Popen

    class Counted(real):  # type: ignore[type-arg, misc]
        def __init__(self, *args: object, **kwargs: object) -> None:
            nonlocal most, running
            with lock:
                running += 1
                most = max(most, running)
            super().__init__(*args, **kwargs)  # type: ignore[call-overload]

        def __exit__(self, *args: object) -> None:
            nonlocal running
            super().__exit__(*args)  # type: ignore[arg-type]
            with lock:
                running -= 1

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(runner.subprocess, "Popen", Counted)
        threads = [
            threading.Thread(
                target=run,
                args=(MODULE, b"a"),
                kwargs={"seconds": 60, "memory": ROOM, "arguments": ["double"]},
            )
            for _ in range(5)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert most == 2


def test_whoever_finds_too_many_in_line_is_sent_away_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(runner, "_LINE", threading.BoundedSemaphore(1))
    with runner._in_line(), pytest.raises(BusyError, match="at once"):
        run(MODULE, b"ab", seconds=20, memory=ROOM, arguments=["double"])
    assert run(MODULE, b"ab", seconds=20, memory=ROOM, arguments=["double"]) == b"abab"
