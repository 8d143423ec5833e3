"""Spread work over the machines of a Dask cluster (`--cluster ADDRESS`) by joblib: the same code and bytes.

joblib and distributed are imported only when a cluster is named, and nothing of the service imports this.
"""

import hashlib
import os
import platform
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Generic, TypeVar

from models.costs import CHUNKS_OF_WORKER, CLUSTER_SECONDS
from models.errors import BookmatchError
from models.tables.stocklist import Spread, one_by_one

T = TypeVar("T")
R = TypeVar("R")
_ROOMS = ("models", "training")
_LIBRARIES = ("numpy", "scipy", "lightgbm")


class ClusterError(BookmatchError):
    """The cluster does not answer, has no worker, or would not give the values of this machine."""


@contextmanager
def over(cluster: str | None, shared: Sequence[object] = ()) -> Iterator[Spread]:
    """Let joblib's work in the block run on this cluster; give what spreads chunks of a stock list over it.

    Without a cluster all is done as it is without this. `shared`: objects that each worker is sent once,
    however often they are handed over. Raises ClusterError.
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
        with parallel_config(backend="dask", client=client, scatter=list(shared) or None):
            yield _Spread(CHUNKS_OF_WORKER * sum(client.ncores().values()))


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


class _Spread:
    """Works on items by joblib, and gives the results in their order; at most so many are on their way."""

    def __init__(self, most: int) -> None:
        self._most = most

    def __call__(self, work: Callable[..., R], items: Iterable[T], *shared: Any) -> Iterator[R]:
        from joblib import Parallel, delayed

        waiting = _Waiting(iter(items), self._most)
        parallel = Parallel(n_jobs=-1, return_as="generator", batch_size=1)
        while not waiting.ended:
            for result in parallel(delayed(work)(item, *shared) for item in waiting):
                waiting.done += 1
                yield result


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
