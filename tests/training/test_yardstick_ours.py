"""The core on other tables than instruments: pairs of columns, trees beside them, one bundle."""

from dataclasses import replace

import numpy as np
import pytest

from models.price.core.core import COLUMN, NOT_KNOWN, PART, Core, Input, read_core
from models.price.evaluator.evaluator import Evaluator
from models.price.evaluator.level import MOST_KEPT
from training.fit.core import FittedCore, fit_core
from training.fit.design.data import Data
from training.fit.design.recipes import linear
from training.fit.design.specification import Specification
from training.fit.design.terms import BackboneTerm
from training.yardstick.encoding import TableEncoding
from training.yardstick.open_data import Feature, OpenData, Scale, stones, windsor
from training.yardstick.ours import predict_open
from training.yardstick.peers import PEERS, folds
from training.yardstick.specification import data_of, pair_terms, rungs, specification_of

GRADE = Feature("grade", Scale.GRADE, ("poor", "fair", "good"))
MIXED = TableEncoding((Feature("a", Scale.NUMBER), Feature("town", Scale.LEVEL), GRADE))
NUMBERS = TableEncoding((Feature("a", Scale.NUMBER), Feature("b", Scale.NUMBER)))
MAIN = (BackboneTerm("a", (linear("a"),), part="a"), BackboneTerm("b", (linear("b"),), part="b"))


def mixed_table(n: int = 300, seed: int = 0) -> dict:  # type: ignore[type-arg]
    """A made-up table; in each column about one row in ten is blank."""
    rng = np.random.default_rng(seed)
    known = rng.random((3, n)) > 0.1
    grade = rng.integers(0, 3, n)
    return {
        "a": np.where(known[0], rng.uniform(1, 9, n), np.nan),
        "town": np.where(known[1], rng.choice(["x", "y", "z"], n), "").astype(object),
        "grade": np.where(known[2], grade.astype(float), np.nan),
        "grade=": np.where(known[2], np.array(GRADE.terms)[grade], "").astype(object),
    }


def mixed_price(table: dict, seed: int) -> np.ndarray:  # type: ignore[type-arg]
    y = 0.2 * np.nan_to_num(table["a"], nan=4.0) + 0.4 * (table["town"] == "x") + 0.1 * (table["grade"] == 2)
    return np.asarray(y + 0.05 * np.random.default_rng(seed).standard_normal(len(y)))


@pytest.fixture(scope="module")
def fitted() -> tuple[FittedCore, Data]:
    table = mixed_table()
    price = mixed_price(table, 1)
    data = data_of(MIXED, table, price)
    return fit_core(data, specification_of(MIXED.columns, table, price), MIXED), data


def read_back(core: Core) -> Evaluator:
    return Evaluator(read_core(core.to_files()), MIXED)


def test_a_row_says_what_the_table_says() -> None:
    table = mixed_table(50)
    for at, row in enumerate(MIXED.rows(table)):
        told = MIXED.table([row], ["a", "town", "grade", "grade="])
        for name, values in told.items():
            np.testing.assert_array_equal(values, table[name][at : at + 1])


def test_a_bundle_of_an_open_table_answers_as_the_fit_did(fitted: tuple[FittedCore, Data]) -> None:
    core, data = fitted[0].core, fitted[1]
    assert core.trees is not None
    own, again = Evaluator(core, MIXED).ranges(data.rows, (0.9,)), read_back(core).ranges(data.rows, (0.9,))
    for one, other in zip(own, again, strict=True):
        assert one.tolist() == other.tolist()
    assert np.abs(again.center - data.y).mean() < 0.3 * np.abs(data.y - data.y.mean()).mean()
    assert (again.low[:, 0] < again.center).all()
    assert (again.center < again.high[:, 0]).all()


def test_many_rows_at_once_are_answered_as_each_alone(fitted: tuple[FittedCore, Data]) -> None:
    rows = MIXED.rows(mixed_table(MOST_KEPT + 50, seed=3))
    together = read_back(fitted[0].core).ranges(rows, (0.9,))
    alone = read_back(fitted[0].core)
    for at in (0, 7, 70, len(rows) - 1):
        one = alone.ranges([rows[at]], (0.9,))
        assert [one.center[0], one.low[0, 0], one.high[0, 0]] == [
            together.center[at],
            together.low[at, 0],
            together.high[at, 0],
        ]


def test_what_is_kept_and_what_is_worked_out_anew_are_the_same(fitted: tuple[FittedCore, Data]) -> None:
    """An encoding whose values recur keeps entries and products; its answers equal those worked out anew."""
    core, data = fitted[0].core, fitted[1]
    anew, kept = (
        Evaluator(core, replace(MIXED, recurring=recurring)).ranges(data.rows[:80], (0.9,))
        for recurring in (False, True)
    )
    assert anew.center.tolist() == kept.center.tolist()
    np.testing.assert_allclose(anew.high - anew.low, kept.high - kept.low, rtol=1e-9)


def test_the_level_of_a_row_is_the_sum_over_its_design(fitted: tuple[FittedCore, Data]) -> None:
    """The games of the evaluator against one product of the design matrix and the coefficients."""
    fit, data = fitted
    parts = Evaluator(fit.core, MIXED).parts_of(data.rows)
    np.testing.assert_allclose(parts.level, fit.problem.x @ fit.estimate.theta, atol=1e-9)


def test_trees_see_numbers_as_they_are_and_levels_by_what_they_add(fitted: tuple[FittedCore, Data]) -> None:
    fit, data = fitted
    inputs = (Input("a", COLUMN, ("a",)), Input("town", PART))
    seen = Evaluator(replace(fit.core, trees=None), MIXED, inputs).parts_of(data.rows).inputs
    a = data.table["a"]
    np.testing.assert_allclose(seen[:, 0], np.where(np.isnan(a), NOT_KNOWN, a), atol=1e-8)
    for town in ("x", "y", "z", ""):
        assert len(set(seen[data.table["town"] == town, 1])) == 1
    x, y = (seen[data.table["town"] == town, 1][0] for town in ("x", "y"))
    assert x - y == pytest.approx(0.4, abs=0.2)


def test_reasons_add_up_where_trees_read_columns(fitted: tuple[FittedCore, Data]) -> None:
    core, data = fitted[0].core, fitted[1]
    assert core.trees is not None
    served = Evaluator(replace(core, trees=replace(core.trees, weight=0.5)), MIXED)
    rows, bases = list(data.rows[:40]), list(data.rows[40:80])
    moved = served.center(rows) - served.center(bases)
    np.testing.assert_allclose(served.effects(rows, bases).sum(axis=1), moved, atol=1e-9)


def test_a_column_that_two_players_make_is_no_input(fitted: tuple[FittedCore, Data]) -> None:
    fit, data = fitted
    both = (Input("a and grade", COLUMN, ("a", "grade")),)
    with pytest.raises(ValueError, match="a and grade"):
        Evaluator(replace(fit.core, trees=None), MIXED, both).parts_of(data.rows)


def test_what_no_sum_of_columns_can_say_is_said_by_pairs_and_narrows_the_ranges() -> None:
    def rows(n: int, seed: int) -> Data:
        rng = np.random.default_rng(seed)
        table = {"a": rng.uniform(-1, 1, n), "b": rng.uniform(-1, 1, n)}
        y = table["a"] + 0.5 * table["a"] * table["b"] + 0.05 * rng.standard_normal(n)
        return data_of(NUMBERS, table, y)

    data, later = rows(500, 0), rows(400, 1)
    said = []
    for terms in (MAIN, (*MAIN, *pair_terms(NUMBERS.columns))):
        core = fit_core(data, Specification(terms, relearn=True), NUMBERS).core
        said.append(Evaluator(core, NUMBERS).ranges(later.rows, (0.9,)))
    alone, together = said
    assert np.abs(together.center - later.y).mean() < 0.5 * np.abs(alone.center - later.y).mean()
    assert (together.high - together.low).mean() < 0.6 * (alone.high - alone.low).mean()
    inside = (together.low[:, 0] <= later.y) & (later.y <= together.high[:, 0])
    assert 0.85 < inside.mean() < 0.95


def test_rungs_lie_on_values_that_occur() -> None:
    values = np.repeat([1.0, 1.5, 2.0, 7.0], [10, 33, 20, 44])
    basis = rungs("x")({"x": np.append(values, np.nan)})
    assert basis is not None
    _, value = basis.rows({"x": np.array([0.0, 1.5, 7.0, 9.0, np.nan])})
    assert value.tolist() == [[0, 0, 0], [1, 0, 0], [1, 1, 1], [1, 1, 1], [0, 0, 0]]
    assert rungs("x")({"x": np.array([1.0, 2.0] * 20)}) is None


def test_every_column_is_in_the_specification() -> None:
    data = windsor()
    spec = specification_of(data.columns, data.table, data.log_price)
    names = {term.name for term in spec.terms}
    assert {"lotsize", "lotsize curve", "lotsize jumps", "driveway"} <= names
    assert {one.name for one in spec.inputs} == {column.name for column in data.columns}
    assert {one.name: one.kind for one in spec.inputs}["lotsize"] == COLUMN
    assert {one.name: one.kind for one in spec.inputs}["driveway"] == PART


def test_the_columns_that_matter_meet_in_pairs() -> None:
    """Two of six numbers move the price; 180 rows are enough for pairs among three."""
    rng = np.random.default_rng(5)
    table = {name: rng.uniform(-1, 1, 180) for name in "abcdef"}
    price = table["b"] - 2 * table["e"] + 0.01 * rng.standard_normal(180)
    columns = tuple(Feature(name, Scale.NUMBER) for name in "abcdef")
    spec = specification_of(columns, table, price)
    met = {part.removesuffix(" curve") for t in spec.terms if "×" in t.name for part in t.name.split(" × ")}
    assert {"b", "e"} < met
    assert len(met) == 3


@pytest.fixture(scope="module")
def data() -> OpenData:
    return stones()


def test_stones_are_judged_better_than_by_hedonic_ridge(data: OpenData) -> None:
    test = folds(len(data), 5, 91)[0]
    train = np.setdiff1d(np.arange(len(data)), test)
    ours = predict_open(data, train, test, 0)
    ridge = PEERS["hedonic ridge"](data.at(train), data.log_price[train], data.at(test), 0)
    paid = data.log_price[test]
    assert np.abs(ours.center - paid).mean() < 0.85 * np.abs(ridge.center - paid).mean()
    assert (ours.high - ours.low).mean() < (ridge.high - ridge.low).mean()
    assert ((ours.low <= paid) & (paid <= ours.high)).mean() > 0.75
