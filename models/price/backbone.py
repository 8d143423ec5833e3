"""The partially pooled hedonic backbone on log price: levels, losses that saturate, and their scales.

log value = level(x) − T(Σ_f scale_f(x) · loss_f(x)),  T(u) = C · (1 − exp(−u / C)), T(u) = u for C = ∞

`level` is a penalised linear part (identity, rarity, market, provenance, unknowns). Each loss is a sum of
non-negative steps over the fields of one family, so that more wear or a less original part never adds value;
its scale 1 + … ≥ `MIN_SCALE` varies by model and build. C lets heavy losses saturate.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.price.basis import Basis, Floats, Ints, Table, product, read_basis

LEVEL = "level"
MIN_SCALE = 0.1


@dataclass(frozen=True)
class Block:
    """Design columns that share one prior variance (`group`) and one role.

    `role`: "level", "loss:<family>" (coefficients ≥ 0) or "scale:<family>". `kinds`: True for a block that
    only askings and offers have (their gap to the value): it is fitted with the rest and never used in a
    value.
    """

    name: str
    bases: tuple[Basis, ...]
    role: str = LEVEL
    group: str = ""
    pooled: bool = True  # False: a flat prior
    kinds: bool = False

    @property
    def size(self) -> int:
        return math.prod(basis.size for basis in self.bases)

    @property
    def columns(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(basis.column for basis in self.bases))

    def state(self) -> dict[str, Any]:
        """As JSON."""
        bases = [basis.state() for basis in self.bases]
        own = {"name": self.name, "role": self.role, "group": self.group, "pooled": self.pooled}
        return {**own, "bases": bases}


def read_block(state: Mapping[str, Any]) -> Block:
    """The block that `state()` described."""
    bases = tuple(read_basis(b) for b in state["bases"])
    return Block(state["name"], bases, state["role"], state["group"], state["pooled"])


def saturate(loss: Floats, cap: float) -> Floats:
    """T(u): the log price that a total loss u takes, given the cap C."""
    return loss if math.isinf(cap) else -cap * np.expm1(-loss / cap)


def design(blocks: Sequence[Block], table: Table) -> tuple[Ints, Floats]:
    """(n, m) design column and value of every row, blocks side by side in the order given."""
    start, index, value = 0, [], []
    for block in blocks:
        i, v = product(block.bases, table)
        index.append(i + start)
        value.append(v)
        start += block.size
    return np.concatenate(index, axis=1), np.concatenate(value, axis=1)
