"""One build's losses are almost wholly spared: the fit finds it, comes to rest, and is as good there."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from plain import Plain

from models.price.core.backbone import loss_of, scale_of
from models.price.core.basis import Table
from training.fit.core import fit_core, problem_of
from training.fit.design.data import Data
from training.fit.design.recipes import graded, graded_steps, levels
from training.fit.design.specification import Specification
from training.fit.design.terms import BackboneTerm
from training.fit.solve import fitted_values
from training.fit.solve.empirical_bayes import fit_backbone
from training.fit.solve.solution import first_solution

ROWS, MOST = 400, 30
ENCODING = Plain({"build": "usual", "wear": 0.0}, losses=("wear",), steps=5)
SPEC = Specification(
    (
        BackboneTerm("build", (levels("build"),)),
        BackboneTerm("wear slope", (graded("wear", 5),), loss_of("condition"), "slope", part="condition"),
        BackboneTerm(
            "wear steps", (graded_steps("wear", 5),), loss_of("condition"), "steps", part="condition"
        ),
        BackboneTerm("condition by build", (levels("build"),), scale_of("condition")),
    )
)


def made(seed: int) -> Data:
    """Wear costs .3 a grade, .36 for one build, and .03 for one that is spared; prices scatter by .1."""
    rng = np.random.default_rng(seed)
    build = rng.choice(np.array(["usual", "spared", "other"], object), ROWS, p=[0.6, 0.2, 0.2])
    wear = rng.integers(0, 6, ROWS).astype(np.float64)
    spared, other = build == "spared", build == "other"
    cost = np.select([spared, other], [0.03, 0.36], 0.3)
    y = 8 + np.select([spared, other], [1.0, 0.3], 0.0) - cost * wear + rng.normal(0, 0.1, ROWS)
    table: Table = {"build": build, "wear": wear}
    return Data(table, ENCODING.rows_of(table), y, [""] * ROWS, [""] * ROWS, [str(k) for k in range(ROWS)])


def size_of(errors: NDArray[np.float64]) -> float:
    return float(np.sqrt((errors**2).mean()))


@pytest.mark.parametrize("seed", [0, 2, 4])
def test_a_fit_comes_to_rest_where_one_build_is_spared_nearly_all_losses(seed: int) -> None:
    problem, steps = problem_of(made(seed), SPEC), []
    start = first_solution(problem, math.inf)
    found = fit_backbone(problem, start, most=MOST, step_done=lambda: steps.append(1))
    assert len(steps) < MOST
    later = fit_backbone(problem, found, most=MOST)
    one, other = (
        fitted_values.predict(problem.layout, problem.x, est.theta, est.cap) for est in (found, later)
    )
    assert size_of(one - other) < 0.001


@pytest.mark.parametrize("seed", [0, 2, 4])
def test_left_out_values_are_as_good_where_losses_are_spared_as_elsewhere(seed: int) -> None:
    data = made(seed)
    fitted = fit_core(data, SPEC, ENCODING)
    spared = data.table["build"] == "spared"
    there, elsewhere = size_of(fitted.left.residual[spared]), size_of(fitted.left.residual[~spared])
    assert there < 1.25 * elsewhere
    assert elsewhere < 0.12  # prices scatter by .1
