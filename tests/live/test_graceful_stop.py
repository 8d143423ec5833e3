"""Told to stop, the service ends what it has begun to answer, however long that takes within its grace."""

from __future__ import annotations

from pathlib import Path

import httpx
from fakes import write_fake
from running import Running

from models.bundles.registry import Registry

ROWS = 10_000


def test_a_list_that_is_being_answered_is_answered_to_its_end(tmp_path: Path) -> None:
    store = tmp_path / "store"
    Registry(store).promote(write_fake(store), who="tests", why="to serve")
    body = "id,maker,model,year\n" + "".join(f"R{n},Ostvik,Dal,{1962 + n % 12}\n" for n in range(ROWS))
    with Running(tmp_path, store, settings={"BOOKMATCH_GRACE": "60"}) as service:
        sent = {**service.headers, "Content-Type": "text/csv"}
        address = f"{service.url}/v1/stocklists?date=2026-01-02"
        with httpx.stream("POST", address, content=body.encode(), headers=sent, timeout=60) as answer:
            pieces = answer.iter_bytes()
            read = next(pieces)
            assert read.count(b"\n") < ROWS / 2, "the answer came at once: nothing is stopped in its middle"
            service.terminate()
            read += b"".join(pieces)
        lines = read.decode().splitlines()
        assert len(lines) == ROWS + 1 and lines[-1].startswith(f"R{ROWS - 1},")
        assert service.ended(60) == 0
        assert '"ended":true' in service.log
