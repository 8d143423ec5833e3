"""Learn to predict the losses of unknown fields from the losses of an instrument's known fields."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from models.price.core.backbone import LEVEL, Backbone, loss_of, saturate
from models.price.core.basis import Floats, Ramps, Table
from models.price.core.missing_losses import MissingLossModel
from models.price.core.spread import Moments
from training.fit.design.recipes import reference_grade
from training.fit.design.specification import HANDED
from training.fit.solve.fitted_values import FittedParts, saturation_slope

_RIDGE = 5.0
_LEAST_ROWS = 40
# A blank field must stay a loss. So good known fields take off at most this share of its loss beyond that of
# the reference instrument, which leaves room for the share `HANDED` that the trees may replace.
_SHARE = 0.95 * (1.0 - HANDED)


def missing_loss_model_of(backbone: Backbone, table: Table, parts: FittedParts) -> MissingLossModel | None:
    """Learn the rule that predicts unknown losses from known ones; None with fewer than two loss columns.

    `parts`: the parts of the fitted values of the table's rows.
    """
    columns = tuple(
        dict.fromkeys(
            b.columns[0]
            for b in backbone.blocks
            if b.is_loss and isinstance(b.bases[0], Ramps) and len(b.bases) == 1
        )
    )
    if len(columns) < 2:
        return None
    losses, _, reference = _losses(backbone, columns)
    scales, slope = _scales(backbone, columns, parts)
    own = (scales * slope[:, None]).mean(axis=0)
    losses = losses * own[:, None]
    raw = MissingLossModel(columns, losses, np.zeros(len(columns)), np.zeros((len(columns), len(columns))))
    unknown, loss = raw.sides(table)
    known = unknown == 0
    mean = np.array([loss[known[:, k], k].mean() if known[:, k].any() else 0.0 for k in range(len(columns))])
    # The mean is not below the reference's loss, or a blank beside good fields would beat the reference.
    mean = np.maximum(mean, reference * own)
    departure = np.where(known, loss - mean, 0.0)
    weights = np.stack([_row(departure, known, k) for k in range(len(columns))])
    return within_costs(MissingLossModel(columns, losses, mean, weights), backbone, table, parts)


def within_costs(
    rule: MissingLossModel, backbone: Backbone, table: Table, parts: FittedParts
) -> MissingLossModel:
    """Weaken the rule wherever it would make a blank field as good as the reference instrument's."""
    _, base, reference = _losses(backbone, rule.columns)
    scales, slope = _scales(backbone, rule.columns, parts)
    least = scales.min(axis=0)
    alone = saturate(base * least, backbone.cap) - saturate(reference * least, backbone.cap)
    cost = np.vstack([(base - reference) * scales * slope[:, None], alone])
    _, departure = rule.sides(table)
    taken = np.vstack([-departure @ rule.weights.T, rule.mean @ rule.weights.T])
    return replace(rule, weights=rule.weights * _bound(taken, cost)[:, None])


def moments_of_losses(backbone: Backbone, table: Table, parts: FittedParts) -> dict[str, Moments]:
    """Return the moments of each loss's effect over the rows where it is known, for columns with blanks.

    `parts`: the parts of the fitted values of the table's rows.
    """
    out = {}
    for family in backbone.families:
        positions = backbone.positions(loss_of(family))
        scale = float(parts.scale[family].mean())
        for column in dict.fromkeys(backbone.blocks[at].columns[0] for at in positions):
            known = table[column][~np.isnan(table[column])]
            if len(known) == len(table[column]):
                continue
            own = [at for at in positions if backbone.blocks[at].columns == (column,)]
            effect = -saturate(backbone.sums(own, {column: known}) * scale, backbone.cap)
            away = effect - effect.mean() if len(known) > 5 else np.zeros(1)
            out[column] = Moments(float((away**2).mean()), float((away**3).mean()))
    return out


def moments_of_unknown(loss_moments: Mapping[str, Moments], table: Table) -> tuple[Floats, Floats]:
    """Return the (n,) variance and (n,) third central moment of the effect of a row's unknown losses."""
    unknown = np.zeros((2, len(next(iter(table.values())))))
    for column, moments in loss_moments.items():
        unknown += np.outer(moments, np.isnan(table[column]))
    return unknown[0], unknown[1]


def factor_of(residual: Floats, moved: Floats, weight: Floats) -> float:
    """Return the share of the rule's effect that prices confirm, from 0 to 1.

    It is the weighted slope of the (n,) residuals on the rule's (n,) predictions, `moved`.
    """
    bottom = float((weight * moved**2).sum())
    return float(np.clip((weight * moved * residual).sum() / bottom, 0.0, 1.0)) if bottom > 0 else 0.0


def _losses(backbone: Backbone, columns: tuple[str, ...]) -> tuple[Floats, Floats, Floats]:
    """Return the losses of k columns: (k, steps) by grade, (k,) of a blank, (k,) of the reference."""
    most = max(
        len(b.bases[0].knots) for b in backbone.blocks if isinstance(b.bases[0], Ramps) and b.role != LEVEL
    )
    grades = np.arange(most, dtype=np.float64)
    losses, base, reference = np.zeros((len(columns), most)), np.zeros(len(columns)), np.zeros(len(columns))
    for k, column in enumerate(columns):
        own = [at for at, b in enumerate(backbone.blocks) if b.columns == (column,) and b.is_loss]
        top = max(
            len(b.bases[0].knots) for at in own if isinstance((b := backbone.blocks[at]).bases[0], Ramps)
        )
        losses[k] = backbone.sums(own, {column: np.minimum(grades, top - 1)})
        at_blank_and_reference = np.array([np.nan, reference_grade(column)])
        base[k], reference[k] = backbone.sums(own, {column: at_blank_and_reference})
    return losses, base, reference


def _row(departure: Floats, known: np.ndarray, k: int) -> Floats:
    """Return non-negative ridge weights that predict the loss of column k from the other columns' losses.

    An unknown loss of another column counts as its mean.
    """
    rows = known[:, k]
    out = np.zeros(departure.shape[1])
    if rows.sum() < _LEAST_ROWS:
        return out
    others = np.delete(np.arange(departure.shape[1]), k)
    x, y = departure[np.ix_(rows, others)], departure[rows, k]
    sd = x.std(axis=0)
    use = sd > 1e-6
    for _ in range(10):
        z = x[:, use] / sd[use]
        w = np.linalg.solve(z.T @ z + _RIDGE * np.eye(int(use.sum())), z.T @ y) / sd[use]
        if (w >= 0).all():
            break
        use[np.flatnonzero(use)[w < 0]] = False
    out[others[use]] = np.maximum(w, 0.0)
    return out


def _scales(backbone: Backbone, columns: tuple[str, ...], parts: FittedParts) -> tuple[Floats, Floats]:
    """Return the (n, k) loss scale of each column's family, and the (n,) share of more loss that counts."""
    family = {b.columns[0]: b.role.family for b in backbone.blocks if b.is_loss}
    scales = np.stack([parts.scale[family[c]] for c in columns], axis=1)
    return scales, saturation_slope(parts.total, backbone.cap)


def _bound(taken: Floats, cost: Floats) -> Floats:
    """Return (k,) factors, at most 1, that keep `taken` (n, k) within the share `_SHARE` of `cost` (n, k)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        room = np.where(taken > 0, _SHARE * cost / taken, 1.0)
    return np.asarray(np.minimum(room.min(axis=0), 1.0))
