"""Store the peers' predictions on disk: they change only with the peers' code, libraries or rows.

Predictions of our own fit are never stored, because any line of our code may change them.
"""

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

# The rows are part of a stored file's key, so the code that makes a data set or a market need not be.
_SOURCES = (peers, intervals)
LIBRARIES = ("catboost", "lightgbm", "numpy", "scikit-learn", "xgboost-cpu")


@cache
def made_by() -> str:
    """Return a hash of the code and library versions on which a peer's predictions depend."""
    versions = [f"{name} {version(name)}" for name in LIBRARIES]
    return hashlib.sha256("\0".join([*map(getsource, _SOURCES), *versions]).encode()).hexdigest()


def answered(folder: Path, peer: str, train: Table, y: Floats, test: Table, seed: int) -> Guess:
    """Return this peer's predictions of the test rows: read from the folder, or computed and stored there."""
    # joblib.Memory would not do: it drops all stored results once other lines of the function's file change.
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
