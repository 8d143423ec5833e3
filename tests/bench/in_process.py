"""One process without HTTP: one instrument, many in bulk, and how soon a worker is ready."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any

import lightgbm as lgb
import numpy as np
from running import resident

from models.domain.instrument import Subject
from models.domain.vocabulary import DEFAULT_LEVELS
from models.price.instruments.encoding import InstrumentEncoding
from models.price.instruments.model import GuitarModel
from models.valuation.valuer import Valuer

ROOT = Path(__file__).resolve().parents[2]
ROWS, ROUNDS = 100_000, 5
_CHUNK = 500

# What a worker does before it can answer: from the start of the interpreter to a first valuation.
_START = """
import sys
from pathlib import Path
from service.app import create_app
from service.settings import Settings
app = create_app(Settings(store=Path(sys.argv[1]), secret="x" * 40, database=sys.argv[2], log_level="error"))
app.extensions["bookmatch"].live.bundle()
assert app.test_client().get("/healthz").status_code == 200
"""


def one_by_one(valuer: Valuer, subjects: Sequence[Subject]) -> tuple[list[float], list[float]]:
    """Milliseconds of each valuation: the first time that each is asked for, and once all were asked.

    The model is warm as it is in a worker.
    """
    valuer.model.warm()
    return _timed(valuer.value, subjects), _timed(valuer.value, subjects)


def _timed(work: Callable[[Subject], Any], subjects: Sequence[Subject]) -> list[float]:
    times = []
    for subject in subjects:
        began = time.perf_counter()
        work(subject)
        times.append((time.perf_counter() - began) * 1000)
    return times


@dataclass(frozen=True)
class Bulk:
    """Rows per second of one way, round by round, beside those of `Booster.predict`; megabytes it grew by."""

    name: str
    rates: Sequence[float]
    booster: Sequence[float]
    grown: float

    @property
    def shares(self) -> list[float]:
        """Ours by the booster's, round by round."""
        return [one / other for one, other in zip(self.rates, self.booster, strict=True)]


def bulk(valuer: Valuer, subjects: Sequence[Subject]) -> Iterator[Bulk]:
    """Each way of valuing many, against the bundle's own boosters, one after the other on one thread.

    The boosters get ready made what the evaluator makes of each row: their inputs. Nothing where the bundle
    holds no boosters.
    """
    model = valuer.model
    assert isinstance(model, GuitarModel)
    boosters = own_boosters(model)
    if not boosters:
        return
    rows = _many(subjects)
    x = _inputs(model, rows)
    ways: dict[str, Callable[[Sequence[Subject]], Any]] = {
        "value and ranges": lambda some: model.estimate(some, DEFAULT_LEVELS),
        "value, ranges and reasons": lambda some: model.assess(some, DEFAULT_LEVELS),
        "the same in money, with cautions": valuer.value_all,
    }
    for name, way in ways.items():
        _in_chunks(way, rows[: ROWS // 10])
        before, most = resident(), 0.0
        rates, theirs = [], []
        for number in range(ROUNDS):
            part = slice(number * ROWS // ROUNDS, (number + 1) * ROWS // ROUNDS)
            began = time.perf_counter()
            most = max(most, _in_chunks(way, rows[part]))
            rates.append(ROWS / ROUNDS / (time.perf_counter() - began))
            began = time.perf_counter()
            for booster in boosters:
                booster.predict(x[part], num_threads=1)
            theirs.append(ROWS / ROUNDS / (time.perf_counter() - began))
        yield Bulk(name, rates, theirs, most - before)


def _in_chunks(way: Callable[[Sequence[Subject]], Any], rows: Sequence[Subject]) -> float:
    """Value all rows; the most megabytes that were resident meanwhile."""
    most = 0.0
    for at in range(0, len(rows), _CHUNK):
        way(rows[at : at + _CHUNK])
        most = max(most, resident())
    return most


def own_boosters(model: GuitarModel) -> list[lgb.Booster]:
    """The boosters that the bundle's tables were added up from."""
    return [lgb.Booster(model_str=text) for text in model.core.trees.texts] if model.core.trees else []


def _inputs(model: GuitarModel, subjects: Sequence[Subject]) -> np.ndarray:
    """(n, p) what the trees see of them."""
    encoding = InstrumentEncoding(model.catalogue, model.typical)
    chunks = [subjects[at : at + _CHUNK] for at in range(0, len(subjects), _CHUNK)]
    return np.concatenate([model.evaluator.parts_of([encoding.row(s) for s in c]).inputs for c in chunks])


def _many(subjects: Sequence[Subject]) -> list[Subject]:
    """Return as many subjects as `ROWS`, no two alike in wear and weight."""
    rng = random.Random(1)
    return [
        subjects[n % len(subjects)].but(
            condition_neck=float(rng.randint(0, 5)),
            condition_frets=float(rng.randint(0, 5)),
            weight_kg=round(rng.uniform(2.5, 5.5), 2),
        )
        for n in range(ROWS)
    ]


def ready_seconds(store: Path, times: int = 5) -> float:
    """The median of seconds from the start of an interpreter to an application that can answer."""
    found = []
    with TemporaryDirectory() as folder:
        command = [sys.executable, "-c", _START, str(store.resolve()), f"sqlite:///{folder}/service.db"]
        for _ in range(times):
            began = time.perf_counter()
            subprocess.run(command, cwd=ROOT, check=True)
            found.append(time.perf_counter() - began)
    return median(found)
