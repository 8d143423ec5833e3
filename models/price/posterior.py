"""What the fit does not know about its coefficients, small enough to be carried in a bundle.

Σ = D^½ (I − Q S Qᵀ) D^½ with prior variances D: the data determine only some directions Q, by the shares S.
Directions that they determine by less than a hundredth are left out, which errs towards a wider range.
The variance is a small difference of large numbers: in single precision its sixth digit would hang on how a
processor turns directions that the data determine alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.price.basis import Floats, Ints

_CHUNK = 64  # rows at a time, so that memory stays bounded


@dataclass(frozen=True)
class Posterior:
    """`sd`: (p,) prior standard deviations. `directions`: (p, r), already times the root of S."""

    sd: Floats
    directions: Floats

    def variance(self, index: Ints, value: Floats) -> Floats:
        """(n,) variance of Σ θ·x for rows of a padded design (n, m)."""
        out = np.empty(len(index))
        for at in range(0, len(index), _CHUNK):
            rows = slice(at, at + _CHUNK)
            out[rows] = self._variance(index[rows], value[rows])
        return out

    def _variance(self, index: Ints, value: Floats) -> Floats:
        scaled = value * self.sd[index]
        prior = np.add.accumulate(scaled**2, axis=1)[:, -1]
        # One row at a time: the order of a sum must not depend on how many rows there are.
        known = np.array(
            [
                float((np.einsum("m,mr->r", s, self.directions[i]) ** 2).sum())
                for s, i in zip(scaled, index, strict=True)
            ]
        )
        return np.asarray(np.maximum(prior - known, 0.0), np.float64)

    def difference(self, one: tuple[Ints, Floats], other: tuple[Ints, Floats]) -> Floats:
        """(n,) variance of Σ θ·(x − x′), row by row of two padded designs (n, m); what they share cancels.

        The other may be a single row (1, m).
        """
        beside = [np.broadcast_to(part, one[0].shape[:1] + part.shape[1:]) for part in other]
        index = np.concatenate([one[0], beside[0]], axis=1)
        value = np.concatenate([one[1], -beside[1]], axis=1)
        return np.array([self._sparse(i, v) for i, v in zip(index, value, strict=True)])

    def _sparse(self, index: Ints, value: Floats) -> float:
        columns, place = np.unique(index, return_inverse=True)
        sums = np.bincount(place, weights=value, minlength=len(columns))
        kept = np.abs(sums) > 1e-12
        scaled = sums[kept] * self.sd[columns[kept]]
        known = (np.einsum("m,mr->r", scaled, self.directions[columns[kept]]) ** 2).sum()
        return max(float((scaled**2).sum() - known), 0.0)


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
