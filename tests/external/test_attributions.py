"""Effects of trees against published examples and against independent implementations."""

from __future__ import annotations

import warnings

import lightgbm
import numpy as np
import pytest
from forests import Split, effects_of, forest_text, market_rows, train
from numpy.typing import NDArray

from models.price.core.pairs import PairTables

Floats = NDArray[np.float64]

with warnings.catch_warnings():
    # Whatever its own dependencies deprecate is not ours to mend.
    warnings.simplefilter("ignore")
    import shap

CORNERS = np.array([[0.0, 0.0], [0.0, 1.0], [1.0, 0.0], [1.0, 1.0]])
BOTH = Split(0, 0.5, 0.0, Split(1, 0.5, 0.0, 80.0))
TEN_F1 = Split(1, 0.5, 0.0, 10.0)

# Lundberg et al. 2020, "From local explanations to global understanding with explainable AI for trees", its
# notebook (figures recomputed with `shap` and with LightGBM's own contributions): features f0 and f1, a
# background of four equal corners. Base value, then the effects at (1,1), (0,1), (0,0).
PUBLISHED = {
    "80 if both": ([BOTH], 20.0, {(1, 1): (30, 30), (0, 1): (-30, 10), (0, 0): (-10, -10)}),
    "80 if both, + 10·f1": ([BOTH, TEN_F1], 25.0, {(1, 1): (30, 35)}),
}


def averaged(tables: PairTables, subject: Floats, background: Floats) -> Floats:
    """(p,) the mean of the effects counted from each row of the background."""
    rows = np.broadcast_to(subject, background.shape)
    return np.asarray(effects_of(tables, rows, background).mean(axis=0))


@pytest.mark.parametrize("name", PUBLISHED)
def test_two_features_and_four_equal_corners(name: str) -> None:
    trees, base, effects = PUBLISHED[name]
    tables = PairTables.from_text([forest_text(trees, 2)])
    assert tables.predict(CORNERS).mean() == base
    for corner, expected in effects.items():
        found = averaged(tables, np.array(corner, dtype=float), CORNERS)
        assert found == pytest.approx(expected, abs=1e-9)
        # Not 20 and 40, which the order of the splits would give (the inconsistency that the paper shows).
        assert found.sum() + base == pytest.approx(tables.predict(np.array([corner], dtype=float))[0])


def test_the_order_of_the_splits_does_not_matter() -> None:
    turned = Split(1, 0.5, 0.0, Split(0, 0.5, 0.0, 80.0))
    for tree in (BOTH, turned):
        tables = PairTables.from_text([forest_text([tree], 2)])
        assert averaged(tables, CORNERS[3], CORNERS) == pytest.approx([30, 30])


def test_lightgbms_own_contributions_on_the_four_corners() -> None:
    """Its path-dependent effects weigh by counts, which on equal corners are the background's shares."""
    x = np.repeat(CORNERS, 25, axis=0)
    y = 80.0 * (x.min(axis=1) > 0) + 10 * x[:, 1]
    settings = {
        "num_leaves": 4,
        "learning_rate": 1.0,
        "min_data_in_leaf": 1,
        "lambda_l2": 0.0,
        "use_missing": False,
        "verbosity": -1,
    }
    booster = lightgbm.train({**settings, "num_threads": 1}, lightgbm.Dataset(x, y), 4)
    theirs = np.asarray(booster.predict(CORNERS, pred_contrib=True, num_threads=1))
    tables = PairTables.from_text([booster.model_to_string()])
    ours = np.array([averaged(tables, corner, CORNERS) for corner in CORNERS])
    assert theirs[:, 2] == pytest.approx(25.0, abs=1e-6)
    assert ours == pytest.approx(theirs[:, :2], abs=1e-6)
    assert ours[3] == pytest.approx([30, 35], abs=1e-4)


@pytest.fixture(scope="module")
def booster() -> lightgbm.Booster:
    return train(11, rounds=80, n=2000)


def by_shap(booster: lightgbm.Booster, subjects: Floats, reference: Floats) -> Floats:
    """(n, p) of the PyPI package `shap`: interventional, one background row."""
    explainer = shap.TreeExplainer(
        booster, data=reference[None], feature_perturbation="interventional", model_output="raw"
    )
    return np.asarray(explainer.shap_values(subjects, check_additivity=False), dtype=np.float64)


def test_equal_to_shap_from_one_background_row(booster: lightgbm.Booster) -> None:
    """`shap` rounds to single precision: 1e-6 on values of about 1."""
    rng = np.random.default_rng(11)
    x, references = market_rows(rng, 300), market_rows(rng, 5)
    tables = PairTables.from_text([booster.model_to_string()])
    for reference in references:
        ours = effects_of(tables, x, np.broadcast_to(reference, x.shape))
        theirs = by_shap(booster, x, reference)
        assert np.abs(theirs).max() > 0.1
        assert np.abs(ours - theirs).max() <= 1e-6
