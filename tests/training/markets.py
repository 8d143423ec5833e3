"""Demo markets, made once, and what their truth says of a specimen."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from training.demo.market import Market, make_market


@lru_cache(maxsize=8)
def market(seed: int = 0, sales: int = 3000, nature: str = "house") -> Market:
    return make_market(seed, sales, nature)


def specimen(m: Market, changes: Mapping[str, int], model: int = 0) -> dict[str, NDArray[Any]]:
    columns = m.truth.reference(np.array([model]))
    return {**columns, **{name: np.array([value]) for name, value in changes.items()}}


def log_of(m: Market, changes: Mapping[str, int], model: int = 0) -> float:
    return float(m.truth.log_specimen(specimen(m, changes, model))[0])


def ratio(m: Market, changes: Mapping[str, int], base: Mapping[str, int], model: int) -> float:
    return math.exp(log_of(m, changes, model) - log_of(m, base, model))
