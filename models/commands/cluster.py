"""Spread work over the machines of a Dask cluster (`--cluster ADDRESS`) by joblib: the same code and bytes.

joblib and distributed are imported only when a cluster is named, and nothing of the service imports this.
"""

import hashlib
import os
import platform
import secrets
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from functools import partial
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Generic, TypeVar

from models.costs import CHUNKS_OF_WORKER, CLUSTER_SECONDS
from models.errors import BookmatchError
from models.tables.stocklist import Spreader, one_by_one

T = TypeVar("T")
R = TypeVar("R")
_ROOMS = ("models", "training")
_LIBRARIES = ("numpy", "scipy", "lightgbm")


class ClusterError(BookmatchError):
    """The cluster does not answer, has no worker, or would not give the values of this machine."""


@contextmanager
def over(cluster: str | None) -> Iterator[Spreader]:
    """Let joblib's work in the block run on this cluster; give what spreads chunks of a stock list over it.

    Without a cluster all is done as it is without this. Raises ClusterError.
    """
    if cluster is None:
        yield one_by_one
        return
    from distributed import Client
    from joblib import parallel_config

    try:
        client: Any = Client(cluster, timeout=CLUSTER_SECONDS, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as error:
        raise ClusterError(f"--cluster {cluster}: no scheduler answers: {error}") from error
    with client:
        _check(client, cluster)
        with parallel_config(backend="dask", client=client):
            yield SpreadOver(CHUNKS_OF_WORKER * sum(client.ncores().values()), partial(_keep_on, client))


def _check(client: Any, cluster: str) -> None:
    """Raise ClusterError unless all workers have the code, the libraries and the settings of this program."""
    try:
        client.wait_for_workers(1, timeout=CLUSTER_SECONDS)
        found = client.run(standing)
    except TimeoutError as error:
        step = f"start one with: dask worker {cluster} --nthreads 1"
        raise ClusterError(f"--cluster {cluster}: it has no worker; {step}") from error
    except ImportError as error:
        step = "install this version of Bookmatch there"
        raise ClusterError(
            f"--cluster {cluster}: a worker cannot import the program: {error}; {step}"
        ) from error
    here = standing()
    for worker, there in sorted(found.items()):
        wrong = [
            f"{name} {there.get(name)} there, {here[name]} here"
            for name in here
            if there.get(name) != here[name]
        ]
        if wrong:
            raise ClusterError(
                f"--cluster {cluster}: worker {worker} would give other values: {'; '.join(wrong)}"
            )


def standing() -> dict[str, str]:
    """Return what the values of a machine hang on: code, libraries, and the threads that they sum with."""
    found = {"python": platform.python_version(), "code": _hash_of_sources()}
    for name in _LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "none"
    return {**found, "OPENBLAS_NUM_THREADS": os.environ.get("OPENBLAS_NUM_THREADS", "unset")}


def _hash_of_sources() -> str:
    root, found = Path(__file__).parents[2], hashlib.sha256()
    for room in _ROOMS:
        for path in sorted((root / room).rglob("*.py")):
            found.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    return found.hexdigest()[:12]


class SpreadOver:
    """Works on items by joblib, and gives the results in their order; at most so many are on their way.

    `keep`: lets each worker keep what all items share for the time of a block, under a name. joblib's own way
    to send it, as data of the cluster, was seen to leave a worker waiting for it for ever.
    """

    def __init__(self, most: int, keep: Callable[[str, Sequence[Any]], AbstractContextManager[None]]) -> None:
        self._most, self._keep = most, keep

    def __call__(self, work: Callable[..., R], items: Iterable[T], *shared: Any) -> Iterator[R]:
        from joblib import Parallel, delayed

        waiting, name = _Waiting(iter(items), self._most), secrets.token_hex(8)
        parallel = Parallel(n_jobs=-1, return_as="generator", batch_size=1)
        with self._keep(name, shared):
            while not waiting.ended:
                for result in parallel(delayed(_work_with)(name, work, item) for item in waiting):
                    waiting.done += 1
                    yield result


_kept: dict[str, Sequence[Any]] = {}  # what this process, a worker, keeps for its work, by name


@contextmanager
def keep_here(name: str, shared: Sequence[Any]) -> Iterator[None]:
    """Keep in this process what work shares."""
    _kept[name] = shared
    try:
        yield
    finally:
        _kept.pop(name, None)


@contextmanager
def _keep_on(client: Any, name: str, shared: Sequence[Any]) -> Iterator[None]:
    """Let each worker of a cluster keep it, those too that join later."""
    from distributed import WorkerPlugin

    keeping = keep_here  # by reference, so that it is the workers' own module that keeps

    class Keep(WorkerPlugin):
        def setup(self, worker: Any) -> None:
            self.kept = keeping(name, shared)
            self.kept.__enter__()

        def teardown(self, worker: Any) -> None:
            self.kept.__exit__(None, None, None)

    client.register_plugin(Keep(), name=name)
    try:
        yield
    finally:
        client.unregister_worker_plugin(name)


def _work_with(name: str, work: Callable[..., R], item: Any) -> R:
    return work(item, *_kept[name])


class _Waiting(Generic[T]):
    """Gives items until too many are given and not done, and goes on with them when it is asked again.

    joblib takes new items whenever one is done, however long an earlier one takes: without this bound, all
    results behind a slow one would wait in memory.
    """

    def __init__(self, items: Iterator[T], most: int) -> None:
        self._items, self._most = items, most
        self._given, self.done, self.ended = 0, 0, False

    def __iter__(self) -> Iterator[T]:
        while self._given - self.done < self._most:
            try:
                item = next(self._items)
            except StopIteration:
                self.ended = True
                return
            self._given += 1
            yield item
