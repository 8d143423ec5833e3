"""Whatever callers send, no cache keeps it: caches hold what the catalogue and the model have."""

from __future__ import annotations

import gc
import sys
from pathlib import Path

import pytest
from apps import NewDatabase, keys_of, make_app, parts
from asking import DAL, Caller
from hostile import Request, requests
from hypothesis import HealthCheck, given, settings

from service.keys.kinds import SCOPES

CASES, WARM = 600, 3
NAMES = ({"maker": "Ostvik", "model": "Dal"}, {"maker": "Ostvik", "model": "Fjell 2"})
GROWTH = 32  # Entries that all caches together may gain: terms and values of the catalogue, met later.


@pytest.fixture(scope="module")
def caller(fake_store: Path, tmp_path_factory: pytest.TempPathFactory, new_database: NewDatabase) -> Caller:
    app = make_app(fake_store, new_database("sqlite"), log_level="critical")
    return Caller(app, keys_of(app).create("tests", SCOPES)[1])


def cached() -> dict[str, int]:
    """The number of entries of every cache of a function, and of every container of a module, of ours."""
    sizes = {
        f"{one.__module__}.{one.__qualname__}()": one.cache_info().currsize
        for one in gc.get_objects()
        if type(one).__name__ == "_lru_cache_wrapper" and one.__module__.startswith(("models", "service"))
    }
    for module in [found for name, found in sys.modules.items() if name.startswith(("models.", "service."))]:
        for name, value in vars(module).items():
            if isinstance(value, dict | list | set) and not name.startswith("__"):
                sizes[f"{module.__name__}.{name}"] = len(value)
    return sizes


def test_no_cache_keeps_what_callers_send(caller: Caller) -> None:
    document = caller.get("/openapi.json").json
    statuses: list[int] = []

    @settings(max_examples=CASES, database=None, suppress_health_check=list(HealthCheck), deadline=None)
    @given(requests(document, NAMES, {}))
    def ask(drawn: Request) -> None:
        headers = caller.headers({"Content-Type": drawn.form} if drawn.form else {})
        with caller.client.open(drawn.path, method=drawn.method, data=drawn.body, headers=headers) as found:
            found.get_data()
        statuses.append(found.status_code)

    for _ in range(WARM):
        caller.post("/v1/valuations", DAL)
    before = cached()
    assert len(before) > 50 and any(name.endswith("()") for name in before)
    ask()
    after = cached()
    print({status: statuses.count(status) for status in sorted(set(statuses))})
    assert len(statuses) >= CASES and {200, 404, 422} <= set(statuses) and max(statuses) < 500
    grown = {name: size - before.get(name, 0) for name, size in after.items() if size > before.get(name, 0)}
    assert sum(grown.values()) <= GROWTH, grown
    assert len(parts(caller.app).callers._known) == 1
