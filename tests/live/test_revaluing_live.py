"""Revaluations by the real service: each item once, whatever is killed, beside callers who are served."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from revaluing_ground import fake_store, opened, said, shot_at, stocked

ITEMS, KILLS = 700, 4


def test_every_item_is_valued_once_whatever_is_killed(
    tmp_path: Path, backend: str, new_database: Callable[[str], str]
) -> None:
    stock = stocked(tmp_path, fake_store(tmp_path), ITEMS, new_database(backend), fake=True)
    with stock.service:
        found = shot_at(opened(stock, fake=True), KILLS)
    assert found.endswith("wrong: nothing"), found


def test_callers_are_served_beside_a_revaluation(
    tmp_path: Path, backend: str, new_database: Callable[[str], str]
) -> None:
    stock = stocked(tmp_path, fake_store(tmp_path), ITEMS, new_database(backend), fake=True)
    with stock.service:
        found = said(opened(stock, fake=True))
    print(found)
    assert found.endswith("wrong: nothing"), found
