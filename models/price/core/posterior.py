"""The posterior covariance of the coefficients, small enough to be carried in a bundle.

Σ = D^½ (I − Q S Qᵀ) D^½, with prior variances D. The data reduce the variance along some directions Q only,
each by its share in S. Directions with a share below a hundredth are left out, which can only widen ranges.
Directions are kept in double precision: a variance is a small difference of large numbers, and in single
precision its sixth digit would depend on the processor.
"""

from dataclasses import dataclass

import numpy as np

from models.price.core.basis import Floats, Ints


@dataclass(frozen=True)
class Posterior:
    """The covariance of p coefficients. `sd`: (p,) prior standard deviations. `directions`: (p, r) Q S^½."""

    sd: Floats
    directions: Floats

    def variance(self, index: Ints, value: Floats) -> Floats:
        """Return (n,) variances of Σ θ·x for rows of a sparse design, given as (n, m) columns and values."""
        scaled = value * self.sd[index]
        known = [np.einsum("m,mr->r", s, self.directions[i]) for s, i in zip(scaled, index, strict=True)]
        return np.asarray((scaled**2).sum(axis=1) - [float((vector**2).sum()) for vector in known])

    def loadings(self, scaled: Floats, vectors: Floats) -> Floats:
        """Return (n, p) loadings L of n weighted sums: the product L Lᵀ is their covariance.

        `scaled`: (n, p) design rows times `sd`. `vectors`: (n, r) the same times `directions`. The square
        root of I − Q S Qᵀ is I − Q (1 − √(1 − S)) Qᵀ.
        """
        shares = np.minimum((self.directions**2).sum(axis=0), 1.0)
        halved = (1.0 - np.sqrt(1.0 - shares)) / np.where(shares > 0, shares, 1.0)
        return np.asarray(scaled - (vectors * halved) @ self.directions.T)


def nothing_known(size: int) -> Posterior:
    """Return a posterior with no variance, for `size` coefficients and the intercept."""
    return Posterior(np.zeros(size + 1), np.zeros((size + 1, 0), np.float32))


def compressed(covariance: Floats, active: Ints, sd: Floats, most: int) -> Posterior:
    """Compress a covariance of the `active` coefficients, of p in all, to at most `most` directions.

    `sd`: (p,) prior standard deviations.
    """
    root = sd[active]
    determined = np.eye(len(active)) - covariance / np.outer(root, root)
    values, vectors = np.linalg.eigh((determined + determined.T) / 2)
    order = np.argsort(values)[::-1][:most]
    order = order[values[order] > 0.01]
    directions = np.zeros((len(sd), len(order)))
    directions[active] = vectors[:, order] * np.sqrt(np.minimum(values[order], 1.0))
    return Posterior(sd, directions)
