"""The posterior covariance of the coefficients, small enough to be carried in a bundle.

Σ = D^½ (I − Q S Qᵀ) D^½ with prior variances D: the data determine only some directions Q, by the shares S.
Directions that they determine by less than a hundredth are left out, which errs towards a wider range.
The variance is a small difference of large numbers: in single precision its sixth digit would hang on how a
processor turns directions that the data determine alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.price.core.basis import Floats, Ints


@dataclass(frozen=True)
class Posterior:
    """`sd`: (p,) prior standard deviations. `directions`: (p, r), already times the root of S."""

    sd: Floats
    directions: Floats

    def variance(self, index: Ints, value: Floats) -> Floats:
        """(n,) variance of Σ θ·x for rows of a padded design (n, m)."""
        scaled = value * self.sd[index]
        known = [np.einsum("m,mr->r", s, self.directions[i]) for s, i in zip(scaled, index, strict=True)]
        return np.asarray((scaled**2).sum(axis=1) - [float((vector**2).sum()) for vector in known])


def nothing_known(size: int) -> Posterior:
    """The posterior of coefficients without uncertainty: no variance at all."""
    return Posterior(np.zeros(size + 1), np.zeros((size + 1, 0), np.float32))


def compressed(covariance: Floats, active: Ints, sd: Floats, most: int) -> Posterior:
    """The posterior whose covariance over the `active` of p coefficients is given.

    `sd`: (p,) prior standard deviations; at most `most` directions are kept.
    """
    root = sd[active]
    determined = np.eye(len(active)) - covariance / np.outer(root, root)
    values, vectors = np.linalg.eigh((determined + determined.T) / 2)
    order = np.argsort(values)[::-1][:most]
    order = order[values[order] > 0.01]
    directions = np.zeros((len(sd), len(order)))
    directions[active] = vectors[:, order] * np.sqrt(np.minimum(values[order], 1.0))
    return Posterior(sd, directions)
