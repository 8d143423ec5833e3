"""The backbone of the price model: a partially pooled hedonic regression on log price.

log value = level(x) + blank(x) − T(Σ_f scale_f(x) · loss_f(x)),  T(u) = C · (1 − exp(−u / C)), u for C = ∞

`level` is a penalised linear function of identity, rarity, market, provenance and blanks. `loss_f` is a sum
of non-negative steps over the fields of the family f, so that more wear or a less original part never adds
value. `scale_f` is the exponential of a penalised linear function and varies by model and build. The cap C
limits the total loss.
"""

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
    """The term of the backbone's formula (see the module) to which the columns of a block belong.

    `BLANK`: a level term that marks a blank field. Its columns are −1 where the field is blank and its
    coefficients are not negative, so a blank can lower a value and never raises it.
    """

    LEVEL = "level"
    BLANK = "blank"
    LOSS = "loss"
    SCALE = "scale"


class Role(NamedTuple):
    """The term of the formula that a block belongs to. `family`: of a loss or a scale, "" for other terms."""

    kind: RoleKind
    family: str = ""

    @property
    def nonnegative(self) -> bool:
        """Say whether the coefficients are held at 0 or above."""
        return self.kind in (RoleKind.BLANK, RoleKind.LOSS)


LEVEL, BLANK = Role(RoleKind.LEVEL), Role(RoleKind.BLANK)


def loss_of(family: str) -> Role:
    """Return the role of blocks that are losses of this family of fields."""
    return Role(RoleKind.LOSS, family)


def scale_of(family: str) -> Role:
    """Return the role of blocks that scale the losses of this family of fields."""
    return Role(RoleKind.SCALE, family)


@dataclass(frozen=True)
class Block:
    """Design columns of the regression that share a role and a prior variance, named by `group`.

    The columns are products of the `bases`. `pooled`: False for a flat prior. `part`: the part of the value
    that the block belongs to, "" for none; the trees get the sum over each part as an input.
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
        """Return the block as JSON."""
        return {**vars(self), "role": self.role._asdict(), "bases": [basis.state() for basis in self.bases]}


def read_block(state: Mapping[str, Any]) -> Block:
    """Read a block that `Block.state` returned."""
    role = Role(RoleKind(state["role"]["kind"]), state["role"]["family"])
    return Block(**{**state, "role": role, "bases": tuple(read_basis(basis) for basis in state["bases"])})


def design(blocks: Sequence[Block], table: Table) -> tuple[Ints, Floats]:
    """Return the sparse design of n rows: (n, m) column numbers and values, blocks in the given order."""
    start, index, value = 0, [], []
    for block in blocks:
        i, v = product(block.bases, table)
        index.append(i + start)
        value.append(v)
        start += block.size
    return np.concatenate(index, axis=1), np.concatenate(value, axis=1)


def row_sums(values: Floats) -> Floats:
    """Return (n,) sums of rows, added in one fixed order, so that they do not depend on n, to the bit."""
    return np.add.accumulate(values, axis=1)[:, -1] if values.shape[1] else np.zeros(len(values))


def saturate(loss: Floats, cap: float) -> Floats:
    """Return T(u), which a total loss u takes off the log price; it stays below the cap C."""
    return loss if math.isinf(cap) else np.asarray(-cap * np.expm1(-loss / cap))


@dataclass(frozen=True)
class Backbone:
    """The fitted regression: blocks, their coefficients `theta`, an intercept, and the cap C of losses."""

    blocks: tuple[Block, ...]
    theta: Floats
    intercept: float
    cap: float

    @cached_property
    def families(self) -> tuple[str, ...]:
        """The families of fields that have losses, in the order of the blocks."""
        return tuple(dict.fromkeys(block.role.family for block in self.blocks if block.is_loss))

    @cached_property
    def starts(self) -> NDArray[np.int64]:
        """The number of each block's first design column; the last entry is the number of all columns."""
        return np.cumsum([0, *(block.size for block in self.blocks)])

    def without_blanks(self) -> "Backbone":
        """Return a copy whose blank terms are 0, so that a blank field counts just as its typical value."""
        blanks = np.repeat([b.role == BLANK for b in self.blocks], [b.size for b in self.blocks])
        return replace(self, theta=np.where(blanks, 0.0, self.theta))

    def sums(self, which: Sequence[int], table: Table) -> Floats:
        """Return (n,) sums of coefficient × design value over the blocks at these positions."""
        total = np.zeros(len(next(iter(table.values()))))
        for at in which:
            index, value = product(self.blocks[at].bases, table)
            total = total + row_sums(self.theta[self.starts[at] + index] * value)
        return total

    def positions(self, role: Role) -> list[int]:
        """Return the positions in `blocks` of the blocks with this role."""
        return [at for at, block in enumerate(self.blocks) if block.role == role]
