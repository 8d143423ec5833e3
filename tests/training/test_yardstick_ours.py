"""The core on other tables than instruments: kriging beside the backbone, and trees beside both."""

from dataclasses import replace

import numpy as np
import pytest
from training.fit.stack import _mixed, stacked, weights_of

from models.price.backbone import LEVEL
from models.price.core import Input
from training.fit.core import Data, Specification, fit_core
from training.fit.recipes import linear, raw
from training.fit.spec import Term
from training.yardstick.open_data import stones, windsor
from training.yardstick.ours import guess_open
from training.yardstick.peers import PEERS, folds
from training.yardstick.specification import rungs, specification_of

A, B = Term("a", (linear("a"),)), Term("b", (linear("b"),))
INPUTS = (Input("a", "a"), Input("b", "b"))
PLAIN = (Term("a", (linear("a"),), group="all"), Term("b", (linear("b"),), group="all"))
SPEC = Specification((A, B), INPUTS, {}, kriged=("a", "b"), plain=PLAIN)


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
    """Two answers of equal, independent error deserve a half each; a far worse one nothing."""
    rng = np.random.default_rng(0)
    y, one, other, poor = (scale * rng.standard_normal(4000) for scale in (1.0, 0.1, 0.1, 2.0))
    weights = weights_of(y, np.stack([y + one, y + other, y + poor], axis=1))
    assert weights == pytest.approx([0.5, 0.5, 0.0], abs=0.02)
    assert weights.sum() == pytest.approx(1)


def test_an_error_counts_as_it_is_not_squared() -> None:
    """The first is right but for two wild answers, the second off by a little everywhere."""
    y = np.zeros(1000)
    first, second = np.where(np.arange(1000) < 2, 20.0, 0.0), np.full(1000, 0.2)
    second[::2] *= -1
    assert weights_of(y, np.stack([first, second], axis=1))[0] > 0.9


def test_no_member_is_counted_against_the_others() -> None:
    """Twice the second less the first would be right everywhere."""
    error = 0.1 * np.random.default_rng(1).standard_normal(500)
    assert weights_of(np.zeros(500), np.stack([2 * error, error], axis=1)) == pytest.approx([0, 1])


def test_few_rows_leave_the_weights_nearly_equal_and_many_do_not() -> None:
    rng = np.random.default_rng(2)
    good, fair = 0.10 * rng.standard_normal(3000), 0.13 * rng.standard_normal(3000)
    answers = np.stack([good, good + fair], axis=1)
    assert weights_of(np.zeros(3000), answers)[0] > 0.95
    assert 0.5 < weights_of(np.zeros(12), answers[:12])[0] < 0.8


def test_no_fold_has_a_say_in_the_weights_that_it_is_judged_by() -> None:
    rng = np.random.default_rng(4)
    y, folds, every = rng.standard_normal(200), np.arange(200) % 5, np.ones(200, bool)
    answers = y[:, None] + np.stack([0.1 * rng.standard_normal(200), 0.3 * rng.standard_normal(200)], axis=1)
    other = np.where(folds == 3, answers[:, 1], y)  # now the second is always right there
    before, after = _mixed(y, answers, folds, every), _mixed(other, answers, folds, every)
    assert np.allclose(before[folds == 3], after[folds == 3])
    assert not np.allclose(before[folds == 2], after[folds == 2])


def test_a_backbone_that_is_the_truth_keeps_the_say() -> None:
    def truth(a, b):  # type: ignore[no-untyped-def]
        return 2 * a - b

    data, later = rows(truth), rows(truth, 500, seed=1, noise=0.0)
    fitted = fit_core(data, Specification((A, B), (), {}))
    both = stacked(data, SPEC, fitted)
    kriging, *trees, plain = both.weights
    assert len(trees) == 2
    assert sum(trees) <= 0.2
    assert kriging + plain + sum(trees) == pytest.approx(1)
    assert np.abs(both.center(later.table) - later.y).mean() < 0.03


def test_what_is_told_is_the_mean_of_the_members_by_their_weights_moved_to_the_median() -> None:
    data = rows(lambda a, b: a * b, 100)
    both = stacked(data, SPEC, fit_core(data, Specification((A, B), (), {})))
    told = [member.predict(data.table) for member in both.members]
    by_hand = sum(w * t for w, t in zip(both.weights, told, strict=True))
    assert np.ptp(told, axis=0).max() > 0.05
    even = replace(both, spread=replace(both.spread, shape=np.linspace(-2, 2, 101)))
    assert np.allclose(even.center(data.table), by_hand)
    high = replace(both, spread=replace(both.spread, shape=np.linspace(-1, 2, 101)))
    scale = both.spread.scale(data.table, by_hand, both.kriging.variance(data.table))
    assert np.allclose(high.center(data.table), by_hand + 0.5 * scale)
    _, low, top = high.interval(data.table, [0.5])  # the 26th and 76th of 101 and a half
    assert np.allclose((top - by_hand[:, None]) / scale[:, None], 1.28, atol=0.02)
    assert np.allclose((low - by_hand[:, None]) / scale[:, None], -0.28, atol=0.02)


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
    plain = {term.name for term in spec.plain}
    assert plain >= set(spec.kriged)
    assert not any("curve" in name or "jumps" in name for name in plain)
    assert {term.group for term in spec.plain} == {"all"}


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
