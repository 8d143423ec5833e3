"""Answers of peers, kept on disk: they do not change while their code, their libraries and their rows do not.

Our own fit is never kept: it changes with every line of the code that it is there to judge.
"""

from __future__ import annotations

import hashlib
import os
from functools import cache
from importlib.metadata import version
from inspect import getsource
from pathlib import Path

import joblib
import numpy as np

from models.study import intervals
from training.yardstick import peers
from training.yardstick.peers import PEERS, Guess
from training.yardstick.tables import Floats, Table

FOLDER = Path(__file__).parents[2] / ".cache" / "yardstick"

# The rows themselves are part of the key, so the code that makes a data set or a market need not be.
_SOURCES = (peers, intervals)
LIBRARIES = ("catboost", "lightgbm", "numpy", "scikit-learn", "xgboost-cpu")


@cache
def made_by() -> str:
    """A hash of all that a peer's answer depends on beside its rows."""
    versions = [f"{name} {version(name)}" for name in LIBRARIES]
    return hashlib.sha256("\0".join([*map(getsource, _SOURCES), *versions]).encode()).hexdigest()


def answered(folder: Path, peer: str, train: Table, y: Floats, test: Table, seed: int) -> Guess:
    """The answer of this peer: read from the folder if it is kept there, else computed and kept there."""
    # Not joblib.Memory: it throws all answers away once the file around its function has other lines.
    parts = [peer, made_by(), *(str(joblib.hash(rows)) for rows in (dict(train), y, dict(test))), str(seed)]
    path = folder / f"{hashlib.sha256(chr(0).join(parts).encode()).hexdigest()}.npz"
    if path.exists():
        with np.load(path, allow_pickle=False) as kept:
            return Guess(kept["center"], kept["low"], kept["high"])
    prediction = PEERS[peer](train, y, test, seed)
    folder.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_suffix(f".{os.getpid()}.tmp")
    with unfinished.open("wb") as file:
        np.savez(file, center=prediction.center, low=prediction.low, high=prediction.high)
    unfinished.replace(path)
    return prediction
