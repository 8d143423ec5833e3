"""Learn the spread of prices around values from the errors on left-out sales.

Copies of some sales, with fields hidden on purpose, take part. Otherwise the spread of poorly described
instruments would rest on the few records that say little.
"""

import math
from dataclasses import replace

import numpy as np

from models.price.core.core import Core
from models.price.core.spread import Spread
from models.price.evaluator.encoding import Encoding
from training.fit.design.data import Data
from training.fit.design.problem import SALE, Problem
from training.fit.design.specification import Specification
from training.fit.solve import fitted_values
from training.fit.solve.crossfit import CrossFit
from training.fit.solve.empirical_bayes import learned_variances
from training.fit.solve.leftout import LeftOut, inputs_of, left_out
from training.fit.solve.missing_losses import moments_of_losses
from training.fit.solve.solution import Solution
from training.fit.spread.noise import LeftOutSales, fit_spread
from training.fit.spread.wander import drift_of
from training.fit.trees import Grown


def calibrated(
    core: Core,
    data: Data,
    spec: Specification,
    problem: Problem,
    est: Solution,
    crossed: CrossFit,
    left: LeftOut,
    grown: Grown,
    encoding: Encoding,
) -> Spread:
    """Return the spread of prices around the values of a fitted core, by its errors on left-out sales."""
    parts = fitted_values.parts_of(problem.layout, problem.x, est.theta)
    sales = _sales(data, crossed, left, grown)
    count = len(sales.value)
    if data.thinned is not None and len(data.thinned.source):
        sales = sales.followed_by(_thinned(core, data, problem, crossed, encoding))
    spread = fit_spread(
        sales,
        count,
        columns=spec.scatter,
        loss_moments=moments_of_losses(core.backbone, data.table, parts),
        time=spec.time,
        drift=drift_of(problem, est, spec.time),
    )
    if spec.relearn:
        return spread
    # The fits without each fold used variances learned on all rows, so their errors are a little too small.
    # The shape is widened in return.
    learned = float(learned_variances(problem, est).sum())
    paid = math.sqrt(count / max(count - learned, count / 2))
    return replace(spread, shape=spread.shape * paid)


def _sales(data: Data, crossed: CrossFit, left: LeftOut, grown: Grown) -> LeftOutSales:
    sale = data.sale
    return LeftOutSales(
        {name: values[sale] for name, values in data.table.items()},
        (data.y - left.residual + grown.bent)[sale],
        (left.residual - grown.bent - left.shift)[sale],
        crossed.posterior[sale],
        left.mixture[sale],
    )


def _thinned(core: Core, data: Data, problem: Problem, crossed: CrossFit, encoding: Encoding) -> LeftOutSales:
    """Value the copied sales, with their hidden fields, by the fits without the fold of the original sale."""
    thinned = data.thinned
    assert thinned is not None
    at, sales = thinned.source, [SALE] * len(thinned.source)
    own = replace(data, table=thinned.table, rows=thinned.rows, y=data.y[at], gap=sales, kind=sales)
    folds = replace(crossed, folds=crossed.folds[at])
    trees = core.trees
    left = left_out(own, problem.layout, folds, core.backbone.cap, core.missing_losses, encoding)
    bent = np.zeros(len(at))
    if trees is not None:
        seen = inputs_of(own.rows, core.backbone, encoding, trees.inputs)
        says = trees.tables.predict(seen) + trees.handed * left.taken - trees.handed_level * left.level
        bent = trees.weight * says
    missed = left.residual - bent
    return LeftOutSales(
        thinned.table, own.y - missed, missed - left.shift, crossed.posterior[at], left.mixture
    )
