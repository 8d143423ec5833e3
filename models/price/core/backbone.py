"""The partially pooled hedonic backbone on log price: levels, losses that saturate, and their scales.

log value = level(x) + blank(x) − T(Σ_f scale_f(x) · loss_f(x)),  T(u) = C · (1 − exp(−u / C)), u for C = ∞

`level` is a penalised linear part (identity, rarity, market, provenance, unknowns). Each loss is a sum of
non-negative steps over the fields of one family, so that more wear or a less original part never adds value;
its scale is e to a penalised linear part and varies by model and build. C lets heavy losses saturate.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.price.core.basis import Basis, Floats, Ints, Table, product, read_basis


class RoleKind(StrEnum):
    """The ways in which the columns of a block enter a value; see the module.

    `BLANK`: a level that marks a blank field. Its columns are −1 where the field is blank and its
    coefficients are not negative: those who leave a field blank may be paid less, and a blank never adds to a
    value.
    """

    LEVEL = "level"
    BLANK = "blank"
    LOSS = "loss"
    SCALE = "scale"


class Role(NamedTuple):
    """The way in which a block enters a value. `family`: of a loss or a scale, "" for any other."""

    kind: RoleKind
    family: str = ""

    @property
    def nonnegative(self) -> bool:
        """Say whether the coefficients are not negative."""
        return self.kind in (RoleKind.BLANK, RoleKind.LOSS)


LEVEL, BLANK = Role(RoleKind.LEVEL), Role(RoleKind.BLANK)


def loss_of(family: str) -> Role:
    """The role of the losses of this family."""
    return Role(RoleKind.LOSS, family)


def scale_of(family: str) -> Role:
    """The role of the scale of this family's losses."""
    return Role(RoleKind.SCALE, family)


@dataclass(frozen=True)
class Block:
    """Design columns that share one prior variance (`group`) and one role.

    `pooled` False: a flat prior. `part`: the part of the value that it belongs to, of which the trees see the
    total; "" for none.
    """

    name: str
    bases: tuple[Basis, ...]
    role: Role = LEVEL
    group: str = ""
    pooled: bool = True
    part: str = ""

    @property
    def is_loss(self) -> bool:
        return self.role.kind is RoleKind.LOSS

    @property
    def size(self) -> int:
        return math.prod(basis.size for basis in self.bases)

    @property
    def columns(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(basis.column for basis in self.bases))

    def state(self) -> dict[str, Any]:
        """As JSON."""
        return {**vars(self), "role": self.role._asdict(), "bases": [basis.state() for basis in self.bases]}


def read_block(state: Mapping[str, Any]) -> Block:
    """The block that `state()` described."""
    role = Role(RoleKind(state["role"]["kind"]), state["role"]["family"])
    return Block(**{**state, "role": role, "bases": tuple(read_basis(basis) for basis in state["bases"])})


def design(blocks: Sequence[Block], table: Table) -> tuple[Ints, Floats]:
    """(n, m) design column and value of every row, blocks side by side in the order given."""
    start, index, value = 0, [], []
    for block in blocks:
        i, v = product(block.bases, table)
        index.append(i + start)
        value.append(v)
        start += block.size
    return np.concatenate(index, axis=1), np.concatenate(value, axis=1)


def row_sums(values: Floats) -> Floats:
    """(n,) sums along rows in one fixed order, whatever n is: a batch equals its rows alone, to the bit."""
    return np.add.accumulate(values, axis=1)[:, -1] if values.shape[1] else np.zeros(len(values))


@dataclass(frozen=True)
class Backbone:
    """Blocks with their coefficients `theta` (design columns), an intercept and the cap C."""

    blocks: tuple[Block, ...]
    theta: Floats
    intercept: float
    cap: float

    @cached_property
    def families(self) -> tuple[str, ...]:
        """The families that have a loss, in the order of the blocks."""
        return tuple(dict.fromkeys(block.role.family for block in self.blocks if block.is_loss))

    @cached_property
    def starts(self) -> NDArray[np.int64]:
        """The first design column of each block, and the number of all as the last."""
        return np.cumsum([0, *(block.size for block in self.blocks)])

    def without_blanks(self) -> Backbone:
        """The same, where a blank field counts just as the typical value that stands for it."""
        blanks = np.repeat([b.role == BLANK for b in self.blocks], [b.size for b in self.blocks])
        return replace(self, theta=np.where(blanks, 0.0, self.theta))

    def sums(self, which: Sequence[int], table: Table) -> Floats:
        """(n,) Σ θ·x over the blocks at these positions."""
        total = np.zeros(len(next(iter(table.values()))))
        for at in which:
            index, value = product(self.blocks[at].bases, table)
            total = total + row_sums(self.theta[self.starts[at] + index] * value)
        return total

    def positions(self, role: Role) -> list[int]:
        """The positions in `blocks` of the blocks that have this role."""
        return [at for at, block in enumerate(self.blocks) if block.role == role]
