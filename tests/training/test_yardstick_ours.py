"""The core on other tables than instruments: kriging beside the backbone, and trees beside both."""

import numpy as np
import pytest

from models.price.backbone import LEVEL
from models.price.core import Input
from training.fit.core import Data, Specification, fit_core
from training.fit.spec import Term, linear, raw
from training.fit.stack import Boosted, best_mix, stacked
from training.yardstick.open_data import stones, windsor
from training.yardstick.ours import guess_open
from training.yardstick.peers import PEERS, folds
from training.yardstick.specification import rungs, specification_of

A, B = Term("a", (linear("a"),)), Term("b", (linear("b"),))
SPEC = Specification((A, B), (Input("a", "a"), Input("b", "b")), {}, kriged=("a", "b"))


def rows(log_price, n: int = 400, seed: int = 0, noise: float = 0.1) -> Data:  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(seed)
    table = {"a": rng.uniform(-1, 1, n), "b": rng.uniform(-1, 1, n)}
    y = log_price(table["a"], table["b"]) + noise * rng.standard_normal(n)
    return Data(table, y, [""] * n, [""] * n, [str(i) for i in range(n)])


def test_what_no_sum_of_columns_can_say_is_learned_and_narrows_the_ranges() -> None:
    """A checkerboard has no slope and no bend along either axis."""

    def truth(a, b):  # type: ignore[no-untyped-def]
        return a + 0.5 * np.sign(np.sin(5 * a) * np.sin(5 * b))

    data, later = rows(truth, 700), rows(truth, 500, seed=1)
    fitted = fit_core(data, Specification((A, B), (), {}))
    both = stacked(data, SPEC, fitted)
    error = np.abs(both.center(later.table) - later.y).mean()
    assert error < 0.5 * np.abs(fitted.core.center(later.table) - later.y).mean()
    _, low, high = both.interval(later.table, [0.9])
    alone = fitted.core.interval(later.table, [0.9])
    assert (high - low).mean() < 0.7 * (alone[2] - alone[1]).mean()
    assert 0.85 < ((low[:, 0] <= later.y) & (later.y <= high[:, 0])).mean() < 0.95


def test_errors_that_have_nothing_in_common_are_halved_by_a_mean() -> None:
    """Two answers of equal, independent error: the best share is a half."""
    rng = np.random.default_rng(0)
    y, base, other = (scale * rng.standard_normal(4000) for scale in (1.0, 0.1, 0.1))
    price, useless = Boosted({}, 1, y + other), Boosted({}, 1, 3 * y)
    every = np.ones(4000, bool)
    best, share = best_mix(y, y + base, [useless, price], every)
    assert best is price
    assert 0.4 <= share <= 0.6
    assert best_mix(y, y + base, [useless], every)[1] == 0


def test_a_backbone_that_is_the_truth_keeps_the_say() -> None:
    def truth(a, b):  # type: ignore[no-untyped-def]
        return 2 * a - b

    data, later = rows(truth), rows(truth, 500, seed=1, noise=0.0)
    fitted = fit_core(data, Specification((A, B), (), {}))
    both = stacked(data, SPEC, fitted)
    assert both.share <= 0.2
    assert np.abs(both.center(later.table) - later.y).mean() < 0.03


def test_losses_cannot_be_stacked() -> None:
    data = rows(lambda a, b: -np.abs(a))
    loss = Term("wear", (raw("a"),), "loss:condition")
    fitted = fit_core(data, Specification((loss, Term("b", (linear("b"),), LEVEL)), (), {}))
    with pytest.raises(ValueError, match="with losses"):
        stacked(data, Specification((loss,), SPEC.forest, {}, kriged=("a",)), fitted)


def test_rungs_lie_on_values_that_occur() -> None:
    values = np.repeat([1.0, 1.5, 2.0, 7.0], [10, 33, 20, 44])
    basis = rungs("x")({"x": np.append(values, np.nan)})
    assert basis is not None
    _, value = basis.rows({"x": np.array([0.0, 1.5, 7.0, 9.0, np.nan])})
    assert value.tolist() == [[0, 0, 0], [1, 0, 0], [1, 1, 1], [1, 1, 1], [0, 0, 0]]
    assert rungs("x")({"x": np.array([1.0, 2.0] * 20)}) is None


def test_every_column_is_in_the_specification() -> None:
    data = windsor()
    spec = specification_of(data.columns, data.table)
    assert {"lotsize", "lotsize curve", "lotsize jumps", "driveway"} <= {term.name for term in spec.terms}
    assert spec.kriged == tuple(column.name for column in data.columns)


def test_stones_are_judged_better_than_by_hedonic_ridge() -> None:
    data = stones()
    test = folds(len(data), 5, 91)[0]
    train = np.setdiff1d(np.arange(len(data)), test)
    ours = guess_open(data, train, test, 0)
    ridge = PEERS["hedonic ridge"](data.at(train), data.log_price[train], data.at(test), 0)
    paid = data.log_price[test]
    assert np.abs(ours.center - paid).mean() < 0.85 * np.abs(ridge.center - paid).mean()
    assert (ours.high - ours.low).mean() < (ridge.high - ridge.low).mean()
    assert ((ours.low <= paid) & (paid <= ours.high)).mean() > 0.75
