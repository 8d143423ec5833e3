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


def enumerate_rows(
    predict: Callable[[Floats], Floats],
    subject: Floats,
    reference: Floats,
    players: NDArray[np.int64],
    n_players: int,
) -> Floats:
    """(n_players,) the same for a function of (n, p) rows whose columns belong to `players`.

    Only players whose columns differ move, so that 2**(differing players) rows are predicted.
    """
    differs = ~((subject == reference) | (np.isnan(subject) & np.isnan(reference)))
    moving = np.unique(players[differs])
    in_coalition = np.arange(1 << len(moving))[:, None] >> np.arange(len(moving)) & 1
    chosen = np.zeros((1 << len(moving), n_players), dtype=bool)
    chosen[:, moving] = in_coalition.astype(bool)
    worth = predict(np.where(chosen[:, players], subject, reference))
    effects = np.zeros(n_players)
    effects[moving] = enumerate_shapley(lambda coalition: float(worth[coalition]), len(moving))
    return effects
