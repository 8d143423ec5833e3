"""Answers of peers, kept on disk: they do not change while their code, their libraries and their rows do not.

Our own fit is never kept: it changes with every line of the code that it is there to judge.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from functools import cache
from importlib.metadata import version
from inspect import getsource
from pathlib import Path

from joblib import Memory

from models.study import intervals
from training.yardstick import peers
from training.yardstick.peers import PEERS, Guess
from training.yardstick.tables import Floats, Table

FOLDER = Path(__file__).parents[2] / ".cache" / "yardstick"

# The rows themselves are part of the key, so the code that makes a data set or a market need not be.
_SOURCES = (peers, intervals)
_LIBRARIES = ("catboost", "lightgbm", "numpy", "scikit-learn", "xgboost-cpu")

Keeper = Callable[[str, str, Table, Floats, Table, int], Guess]


@cache
def made_by() -> str:
    """A hash of all that a peer's answer depends on beside its rows."""
    texts = [getsource(module) for module in _SOURCES]
    versions = [f"{name} {version(name)}" for name in _LIBRARIES]
    return hashlib.sha256("\0".join([*texts, *versions]).encode()).hexdigest()


def keeper(folder: Path = FOLDER) -> Keeper:
    """Peers that remember what they answered, in this folder."""
    kept: Keeper = Memory(folder, verbose=0).cache(_answer)
    return kept


def _answer(peer: str, made_by: str, train: Table, y: Floats, test: Table, seed: int) -> Guess:
    return PEERS[peer](train, y, test, seed)
