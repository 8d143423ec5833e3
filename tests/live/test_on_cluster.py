"""Work on a Dask cluster of two workers on this machine: the bytes of one process, and what is refused."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from dask_cluster import cluster
from joblib import parallel_config
from object_store import free_port
from on_cluster import compared

from models.commands import cluster as clusters
from models.commands.cluster import ClusterError, over
from models.tables.stocklist import one_by_one
from training.demo.files import write_market
from training.demo.market import make_market


def test_a_list_and_a_backtest_are_the_same_bytes_on_a_cluster(demo_store: Path, tmp_path: Path) -> None:
    market = tmp_path / "market"
    write_market(market, make_market(0, 60, "house"), 0, progress=False)
    (tmp_path / "work").mkdir()
    for pair in compared(market, demo_store, 1_200, 0.25, tmp_path / "work"):
        assert pair.same, pair
        assert "OTHER" not in str(pair)


def test_workers_with_other_settings_are_refused(tmp_path: Path) -> None:
    with (
        cluster(tmp_path, 1, OPENBLAS_NUM_THREADS="7") as (address, _),
        pytest.raises(ClusterError, match="OPENBLAS_NUM_THREADS 7 there"),
        over(address),
    ):
        pytest.fail("it would give other values")


def test_a_cluster_that_is_not_there_or_has_no_worker_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(clusters, "CLUSTER_SECONDS", 1.0)
    nowhere = f"tcp://127.0.0.1:{free_port()}"
    with pytest.raises(ClusterError, match="no scheduler answers"), over(nowhere):
        pytest.fail("nobody answers")
    with (
        cluster(tmp_path, 0) as (address, _),
        pytest.raises(ClusterError, match="dask worker"),
        over(address),
    ):
        pytest.fail("it has no worker")


def test_without_a_cluster_nothing_is_imported_or_changed() -> None:
    with over(None) as spread:
        assert spread is one_by_one


# ── in order, and bounded ────────────────────────────────────────────────────


class Slow:
    """Work on numbers of which the first takes long; counts how many are on their way, and the most."""

    def __init__(self) -> None:
        self.given, self.taken, self.most, self._lock = 0, 0, 0, threading.Lock()

    def numbers(self, count: int) -> Iterator[int]:
        for number in range(count):
            with self._lock:
                self.given += 1
                self.most = max(self.most, self.given - self.taken)
            yield number

    def work(self, number: int, factor: int) -> int:
        time.sleep(0.3 if number == 0 else 0.001)
        return number * factor


@pytest.mark.parametrize("count", [0, 1, 7, 8, 9, 200])
def test_results_come_in_order_and_few_are_on_their_way_behind_a_slow_one(count: int) -> None:
    slow, found = Slow(), []
    with parallel_config(backend="threading", n_jobs=2):
        for result in clusters.SpreadOver(8, clusters.keep_here)(slow.work, slow.numbers(count), 3):
            found.append(result)
            with slow._lock:
                slow.taken += 1
    assert found == [3 * number for number in range(count)]
    assert slow.most <= 9  # eight, and the one that is asked for before the last result is counted


def test_words_are_told_on_one_machine(demo_store: Path, tmp_path: Path) -> None:
    from models.cli import main

    (tmp_path / "list.csv").write_text("id,maker,model\n")
    words = [
        "value",
        str(tmp_path / "list.csv"),
        "--store",
        str(demo_store),
        "--words",
        "--cluster",
        "tcp://x:1",
    ]
    found = CliRunner().invoke(main, words)
    assert found.exit_code == 2 and "leave out --cluster" in found.output
