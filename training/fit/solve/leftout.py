"""Value each row by the regression fitted without its fold, with the same evaluator that serves answers."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.price.core.backbone import Backbone
from models.price.core.basis import Floats
from models.price.core.core import Core, Input
from models.price.core.missing_losses import MissingLossModel
from models.price.core.posterior import nothing_known
from models.price.evaluator.encoding import Encoding, Row
from models.price.evaluator.evaluator import Evaluator
from training.fit.design.data import Data
from training.fit.design.problem import SALE, Layout
from training.fit.solve.crossfit import CrossFit


@dataclass(frozen=True)
class LeftOut:
    """The left-out values of n rows (each by a fit without the row), in parts, (n,) each, in log.

    `residual`: price minus gap and left-out value. `level`: the value before losses. `taken`: the amount that
    losses take off. `shift`, `mixture`: mean and variance of the effect of what blank fields may turn out
    to be.
    """

    residual: Floats
    level: Floats
    taken: Floats
    shift: Floats
    mixture: Floats


def left_out(
    data: Data,
    layout: Layout,
    crossed: CrossFit,
    cap: float,
    missing_losses: MissingLossModel | None,
    encoding: Encoding,
) -> LeftOut:
    """Value the rows of each fold by the coefficients that were fitted without them."""
    n = len(data.y)
    gap_of = {level: layout.intercept + 1 + at for at, level in enumerate(layout.gaps)}
    out = np.zeros((5, n))
    for fold, theta in enumerate(crossed.thetas):
        rows = np.flatnonzero(crossed.folds == fold)
        if not len(rows):
            continue
        backbone = Backbone(layout.blocks, theta[: layout.intercept], float(theta[layout.intercept]), cap)
        core = Core(backbone, None, nothing_known(len(backbone.theta)), None, missing_losses)
        evaluator = Evaluator(core, encoding)
        parts = evaluator.parts_of([data.rows[row] for row in rows])
        gap = np.array([0.0 if data.gap[r] == SALE else theta[gap_of[data.gap[r]]] for r in rows])
        out[0, rows] = data.y[rows] - gap - evaluator.center_of(parts)
        out[1:, rows] = parts.level, parts.taken, parts.shift, parts.mixture
    return LeftOut(*out)


def inputs_of(rows: Sequence[Row], backbone: Backbone, encoding: Encoding, inputs: Sequence[Input]) -> Floats:
    """Return the (n, p) inputs of the trees, by one regression (backbone) for all rows.

    Totals by the fits without each fold differ from fold to fold for the same level. Trees would split on
    that difference, recognise the rows of a fold, and learn something that holds for no later row.
    """
    core = Core(backbone, None, nothing_known(len(backbone.theta)), None)
    return Evaluator(core, encoding, inputs).parts_of(rows).inputs
