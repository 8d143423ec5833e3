"""The memory of a worker stays bounded under hostile requests: `make hostile` asks 100,000 of a real one."""

from __future__ import annotations

import http.client
import os
from collections import Counter
from pathlib import Path
from typing import Any

import httpx
import pytest
from hostile import Ids, Names, Request, requests, varied
from hypothesis import HealthCheck, Phase, given, seed, settings
from known_ids import known
from running import Running, resident

from models.domain.catalogue import read_catalogue
from service.keys.kinds import SCOPES

CASES = int(os.environ.get("HOSTILE_CASES", "0"))
MOST_MEGABYTES = 200
AT_ONCE = 250  # draws from one seed, so that what hypothesis remembers of its draws stays small
VARIANTS = 10  # requests of one draw, in each of which all texts are others


@pytest.mark.skipif(not CASES, reason="it takes minutes: make hostile")
def test_a_worker_stays_small(tmp_path: Path, demo_store: Path, demo_market: Path) -> None:
    catalogue = read_catalogue((demo_market / "catalogue.toml").read_text(encoding="utf-8"))
    names = [{"maker": model.maker, "model": model.name} for model in catalogue.models]
    settings_ = {"BOOKMATCH_WORKERS": "1", "BOOKMATCH_THREADS": "1"}
    with Running(tmp_path, demo_store, fake=False, settings=settings_) as served:
        scopes = [word for name in SCOPES for word in ("--scope", name)]
        key = served.call("keys", "create", "hostile", *scopes).strip()
        document = httpx.get(f"{served.url}/openapi.json", timeout=60).json()
        ids = {**known(served, key, names[:1]), **{part: [names[0][part]] for part in ("maker", "model")}}
        (worker,) = served.workers()
        begun, asked = resident(worker), Counter[int]()
        number = 0
        while asked.total() < CASES:
            number += 1
            asked += ask(served, key, document, names, ids, number)
            print(
                f"{asked.total():7} requests: {resident(worker):5.0f} MB, begun with {begun:.0f} MB",
                flush=True,
            )
        print(dict(sorted(asked.items())))
        assert served.workers() == [worker], "the worker was replaced"
        assert max(asked) < 500
        assert resident(worker) <= MOST_MEGABYTES


def ask(
    served: Running, key: str, document: dict[str, Any], names: Names, ids: Ids, number: int
) -> Counter[int]:
    """Ask requests drawn from this seed, on one connection; the answers by status."""
    asked: Counter[int] = Counter()
    connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=60)
    headers = {"Authorization": f"Bearer {key}"}

    @seed(number)
    @settings(
        max_examples=AT_ONCE,
        database=None,
        derandomize=False,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(requests(document, names, ids))
    def send(drawn: Request) -> None:
        form = {"Content-Type": drawn.form} if drawn.form else {}
        for variant in range(VARIANTS):
            one = varied(drawn, number * VARIANTS + variant) if variant else drawn
            connection.request(one.method, one.path, one.body, {**headers, **form})
            answer = connection.getresponse()
            answer.read()
            asked[answer.status] += 1

    send()
    connection.close()
    return asked
