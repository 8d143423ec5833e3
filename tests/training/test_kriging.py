"""Kriging against the textbook's formulas, written out again here, and against what must hold of any."""

from dataclasses import replace

import numpy as np
import pytest
from training.fit.covariance import first_of, inverse, learn, sample_of
from training.fit.kriging import Averaged, _left_out, _robust, _rows, _told, krige
from training.fit.nearness import Coordinate, Kernel, coordinates_of

from training.fit.core import Data, Fitted, Specification, fit_core
from training.fit.problem import matrix
from training.fit.spec import Term, levels, linear

TERMS = (Term("a", (linear("a"),)), Term("g", (levels("g"),)))
COLUMNS = ("a", "b", "g")


@pytest.fixture(scope="module")
def data() -> Data:
    rng, n = np.random.default_rng(3), 150
    group = rng.integers(0, 5, n)
    table = {
        "a": rng.uniform(-1, 1, n),
        "b": rng.integers(0, 4, n) / 2,
        "g": np.array([f"g{i}" for i in group], dtype=object),
    }
    y = 1 + table["a"] + 0.3 * np.sin(4 * table["a"]) * (group - 2) + 0.05 * rng.standard_normal(n)
    return Data(table, y, [""] * n, [""] * n, [str(i) for i in range(n)])


@pytest.fixture(scope="module")
def fitted(data: Data) -> Fitted:
    return fit_core(data, Specification(TERMS, (), {}))


def test_the_covariance_is_one_at_no_distance_and_falls_as_the_formula_says() -> None:
    kernel = Kernel((Coordinate("a", False), Coordinate("g", True, codes=("x",))), np.zeros(2), 4.0, 0.5)
    at = kernel.places({"a": np.array([0.0, 2.0]), "g": np.array(["x", "y"], dtype=object)})
    # 4·(1 + (2² + 1)/(2·0.5))^(−0.5) = 4/√6, worked by hand
    assert np.allclose(kernel.between(at, at), [[4, 1.6329932], [1.6329932, 4]])


def test_a_number_that_recurs_is_also_a_name() -> None:
    table = {"a": np.linspace(0, 1, 50), "b": np.repeat([1.0, 2.0, 5.0, 9.0, 11.0], 10), "c": np.ones(50)}
    found = [(c.column, c.same) for c in coordinates_of(table, ("a", "b", "c"))]
    assert found == [("a", False), ("b", False), ("b", True)]


def test_the_gradient_is_the_slope(data: Data, fitted: Fitted) -> None:
    rows = _rows(fitted, data.table, COLUMNS)
    sample, at = sample_of(rows), first_of(rows, 0.01).vector()
    gradient = sample.loss(at)[1]
    for place in range(len(at)):
        step = np.zeros_like(at)
        step[place] = 1e-5
        slope = (sample.loss(at + step)[0] - sample.loss(at - step)[0]) / 2e-5
        assert gradient[place] == pytest.approx(slope, rel=1e-4, abs=1e-3)


def test_learning_makes_the_rows_likelier(data: Data, fitted: Fitted) -> None:
    rows = _rows(fitted, data.table, COLUMNS)
    first = first_of(rows, 0.01)
    sample = sample_of(rows)
    assert sample.loss(learn(rows, first, 0).vector())[0] < sample.loss(first.vector())[0] - 20


def test_what_is_told_of_a_row_is_the_mean_and_variance_of_a_normal_given_the_others(
    data: Data, fitted: Fitted
) -> None:
    kriging = krige(fitted, data.table, COLUMNS)[0].each[2]
    some = {name: values[:7] for name, values in data.table.items()}
    x, mine = kriging.design.toarray(), matrix(kriging.layout, some).toarray()
    shared = mine * kriging.prior @ x.T + kriging.kernel.between(kriging.places[:7], kriging.places)
    own = (mine * kriging.prior * mine).sum(axis=1) + kriging.kernel.variance
    every = x * kriging.prior @ x.T + kriging.kernel.between(kriging.places, kriging.places)
    noise = np.linalg.inv(kriging.precision) - every
    assert np.allclose(noise, np.diag(np.diag(noise)), atol=1e-8)
    told = kriging.mean + shared @ kriging.precision @ (data.y - kriging.mean)
    assert np.allclose(kriging.predict(some), told)
    assert np.allclose(
        kriging.variance(some), own - np.diag(shared @ kriging.precision @ shared.T), atol=1e-9
    )


def test_a_fold_left_out_is_told_what_a_solve_without_it_tells(data: Data, fitted: Fitted) -> None:
    """The covariance held: what it learns from a fold is another question than what it is told."""
    rows = _rows(fitted, data.table, COLUMNS)
    learned = first_of(rows, 0.01)
    noise = _robust(learned, rows, 5.0)
    same = Averaged((_told(learned, fitted, rows, noise),) * 5)
    found = _left_out(same, rows.target, noise, fitted.folds)
    covariance = learned.covariance(rows)
    for fold in range(int(fitted.folds.max()) + 1):
        out, kept = fitted.folds == fold, fitted.folds != fold
        gain = covariance[np.ix_(out, kept)] @ np.linalg.inv(
            covariance[np.ix_(kept, kept)] + np.diag(noise[kept])
        )
        assert np.allclose(found.value[out], data.y.mean() + gain @ rows.target[kept], atol=1e-7)
        variance = np.diag(covariance[np.ix_(out, out)] - gain @ covariance[np.ix_(kept, out)])
        assert np.allclose(found.variance[out], variance, atol=1e-7)


def test_what_is_learned_for_a_fold_knows_nothing_of_its_prices(data: Data) -> None:
    """A fold's prices may be anything: its variances and lengths stay as they were, those of others move."""
    y = data.y + 0.3 * (data.table["g"] == "g1") - 0.2 * (data.table["g"] == "g3")
    fitted = fit_core(replace(data, y=y), Specification(TERMS, (), {}))
    fold, chance = fitted.folds == 1, np.random.default_rng(5).standard_normal(len(y))
    other = replace(fitted, problem=replace(fitted.problem, y=np.where(fold, y + chance, y)))
    before, after = (krige(one, data.table, COLUMNS)[0].each for one in (fitted, other))
    pairs = list(zip(before, after, strict=True))
    lengths = [float(np.abs(a.kernel.log_lengths - b.kernel.log_lengths).max()) for a, b in pairs]
    assert len(lengths) == 5
    assert lengths[1] < 0.1 * min(lengths[:1] + lengths[2:])
    # That of the slope over that of a level: the part that both have of the backbone's cancels.
    moved = [abs(float(np.log(a.prior[0] / a.prior[1] * b.prior[1] / b.prior[0]))) for a, b in pairs]
    assert moved[1] < 1e-9 < 1e-3 < min(moved[:1] + moved[2:])


def test_an_average_is_told_of_each_alike(data: Data, fitted: Fitted) -> None:
    averaged, _ = krige(fitted, data.table, COLUMNS)
    values = [one.predict(data.table) for one in averaged.each]
    assert np.ptp(values, axis=0).max() > 1e-3
    assert np.allclose(averaged.predict(data.table), sum(values) / 5)
    variances = [one.variance(data.table) for one in averaged.each]
    assert np.allclose(averaged.variance(data.table), sum(variances) / 5)


def test_an_inverse_is_the_whole_of_it() -> None:
    # 1/(4·3 − 2²) of the adjugate, worked by hand
    assert np.allclose(inverse(np.array([[4.0, 2.0], [2.0, 3.0]])), [[0.375, -0.25], [-0.25, 0.5]])


def test_a_row_far_out_is_trusted_less(data: Data, fitted: Fitted) -> None:
    rows = _rows(fitted, data.table, COLUMNS)
    target = rows.target.copy()
    target[4] += 3.0
    learned = first_of(rows, 0.01)
    far = _robust(learned, type(rows)(rows.coordinates, rows.design, rows.places, target, rows.noise), 5.0)
    assert far[4] > 20 * np.median(far)


def test_levels_never_seen_and_numbers_not_known_get_an_answer_with_more_doubt(
    data: Data, fitted: Fitted
) -> None:
    kriging, _ = krige(fitted, data.table, COLUMNS)
    one = {name: values[:1] for name, values in data.table.items()}
    strange = {**one, "g": np.array(["elsewhere"], dtype=object), "b": np.array([np.nan])}
    assert np.isfinite(kriging.predict(strange)).all()
    assert kriging.variance(strange)[0] > 2 * kriging.variance(one)[0]
