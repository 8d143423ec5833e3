"""Shapley values by their definition: every hybrid of subject and reference, all 2**k of them."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def enumerate_shapley(value: Callable[[int], float], k: int) -> Floats:
    """(k,) Shapley (1953): the mean, over all orders of k players, of what each adds to those before it.

    `value(S)`: what the players whose bits are set in S are worth together; each S is asked once.
    """
    worth = [value(coalition) for coalition in range(1 << k)]
    effects = np.zeros(k)
    for player in range(k):
        for before in range(1 << k):
            if not before >> player & 1:
                size = before.bit_count()
                orders = math.factorial(size) * math.factorial(k - 1 - size)
                effects[player] += orders * (worth[before | 1 << player] - worth[before])
    return effects / math.factorial(k)
