"""Peers' answers are kept for as long as nothing that they depend on has changed."""

from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import pytest

from training.yardstick import contests, kept
from training.yardstick.contests import CONTESTS, OURS, ContestFit, pieces, run
from training.yardstick.kept import answered, made_by
from training.yardstick.peers import PEERS, Guess
from training.yardstick.tables import Floats, Table

ROWS = {"x": np.array([1.0, 2.0, np.nan]), "town": np.array(["a", "", "b"], dtype=object)}
PRICE = np.array([4.0, 5.0, 6.0])


class Counting:
    """A peer that answers the mean, and counts how often it was asked."""

    def __init__(self) -> None:
        self.asked = 0

    def __call__(self, train: Table, y: Floats, test: Table, seed: int) -> Guess:
        self.asked += 1
        center = np.full(len(next(iter(test.values()))), y.mean())
        return Guess(center, center - 1, center + 1)


@pytest.fixture(autouse=True)
def libraries(monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[str, str]]:
    """The versions of the peers' libraries, which the tests' own environment does not hold."""
    versions = dict.fromkeys(kept.LIBRARIES, "1.0")
    monkeypatch.setattr(kept, "version", versions.__getitem__)
    made_by.cache_clear()
    yield versions
    made_by.cache_clear()


@pytest.fixture
def peer(monkeypatch: pytest.MonkeyPatch) -> Counting:
    counting = Counting()
    peers: Mapping[str, object] = {**PEERS, "hedonic ridge": counting}
    monkeypatch.setattr(kept, "PEERS", peers)
    return counting


def copies(rows: Table) -> Table:
    """The same rows in other arrays of other strings."""
    return {
        name: np.array(["".join(list(v)) for v in values], dtype=object)
        if values.dtype == object
        else +values
        for name, values in rows.items()
    }


def test_the_same_rows_are_answered_once(peer: Counting, tmp_path: Path) -> None:
    first = answered(tmp_path, "hedonic ridge", ROWS, PRICE, ROWS, 0)
    again = answered(tmp_path, "hedonic ridge", copies(ROWS), PRICE.copy(), copies(ROWS), 0)
    assert peer.asked == 1
    assert first.center.tolist() == again.center.tolist() == [5.0, 5.0, 5.0]
    assert again.low.tolist() == [4.0, 4.0, 4.0]
    assert again.high.tolist() == [6.0, 6.0, 6.0]


def test_whatever_changes_is_answered_anew(
    peer: Counting, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = {**ROWS, "town": np.array(["a", "", "c"], dtype=object)}
    answered(tmp_path, "hedonic ridge", ROWS, PRICE, ROWS, 0)
    answered(tmp_path, "hedonic ridge", other, PRICE, ROWS, 0)
    answered(tmp_path, "hedonic ridge", ROWS, PRICE + 1, ROWS, 0)
    answered(tmp_path, "hedonic ridge", ROWS, PRICE, other, 0)
    answered(tmp_path, "hedonic ridge", ROWS, PRICE, ROWS, 1)
    monkeypatch.setattr(kept, "made_by", lambda: "other libraries")
    answered(tmp_path, "hedonic ridge", ROWS, PRICE, ROWS, 0)
    assert peer.asked == 6


@pytest.mark.parametrize("name", kept.LIBRARIES)
def test_the_versions_of_the_libraries_are_part_of_the_key(libraries: dict[str, str], name: str) -> None:
    before = made_by()
    libraries[name] = "1.1"
    made_by.cache_clear()
    assert made_by() != before


def test_our_own_fit_is_never_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing of our own contestant comes from the keeper, or goes there."""
    asked = []

    def ours(data: object, train: Floats, test: Floats, seed: int) -> Guess:
        asked.append(seed)
        center = np.zeros(len(test))
        return Guess(center, center, center)

    monkeypatch.setattr(contests, "predict_open", ours)
    monkeypatch.setattr(contests, "answered", lambda *_: pytest.fail("our own fit was looked up"))
    piece = ContestFit("auctions", OURS, 0, 0)
    assert piece in set(pieces(CONTESTS, (OURS,), 1))
    run(piece)
    run(piece)
    assert asked == [0, 0]
