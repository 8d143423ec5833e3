"""The fitted values of the regression (backbone) on the rows of a design, and their derivatives."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from models.price.core.backbone import BLANK, LEVEL, Role, RoleKind, loss_of, saturate, scale_of
from models.price.core.basis import Floats
from training.fit.design.problem import Layout


@dataclass(frozen=True)
class FittedParts:
    """The parts of n fitted log prices, (n,) each.

    `level`: without losses. `loss`, `scale`: by loss family, such as condition. `total`: the sum of
    loss · scale.
    """

    level: Floats
    loss: Mapping[str, Floats]
    scale: Mapping[str, Floats]
    total: Floats


def saturation_slope(loss: Floats, cap: float) -> Floats:
    """Return T′(u), the derivative of `saturate` by the loss."""
    return np.ones_like(loss) if math.isinf(cap) else np.exp(-loss / cap)


def role_factor(role: Role, parts: FittedParts, slope: Floats) -> Floats:
    """Return the (n,) derivative of the log value by the sum Σ θ·x over the blocks of this role."""
    if role in (LEVEL, BLANK):
        return np.ones_like(slope)
    loss, scale = parts.loss[role.family], parts.scale[role.family]
    return -slope * scale if role.kind is RoleKind.LOSS else -slope * loss * scale


def parts_of(layout: Layout, x: sp.csr_matrix, theta: Floats) -> FittedParts:
    """Return the levels, losses and scales of the rows of a design."""
    by_role = {role: x @ np.where(layout.role == at, theta, 0.0) for at, role in enumerate(layout.roles)}
    families = [role.family for role in layout.roles if role.kind is RoleKind.LOSS]
    zero = np.zeros(x.shape[0])
    loss = {f: by_role[loss_of(f)] for f in families}
    scale = {f: np.exp(by_role.get(scale_of(f), zero)) for f in families}
    total = sum((loss[f] * scale[f] for f in families), zero)
    return FittedParts(by_role[LEVEL] + by_role.get(BLANK, zero), loss, scale, total)


def predict(layout: Layout, x: sp.csr_matrix, theta: Floats, cap: float) -> Floats:
    """Return the (n,) fitted log prices, with the gaps of asking prices and offers if the design has them."""
    parts = parts_of(layout, x, theta)
    return parts.level - saturate(parts.total, cap)


def jacobian(layout: Layout, x: sp.csr_matrix, theta: Floats, cap: float) -> sp.csr_matrix:
    """Return the (n, p) derivatives of `predict` by theta."""
    parts = parts_of(layout, x, theta)
    slope = saturation_slope(parts.total, cap)
    factor = np.stack([role_factor(role, parts, slope) for role in layout.roles], axis=1)
    out = x.copy()
    rows = np.repeat(np.arange(x.shape[0]), np.diff(x.indptr))
    out.data = x.data * factor[rows, layout.role[x.indices]]
    return out
