"""The core on other tables than instruments: the evidence chooses its backbone, left-out rows its trees."""

import numpy as np
import pytest

from models.price.backbone import LEVEL
from models.price.core import Input, read_core
from training.fit.choice import most_evident
from training.fit.core import Data, Specification, fit_core
from training.fit.spec import Term, levels, linear, raw
from training.fit.stack import _best, _Trees, stacked
from training.yardstick.open_data import stones, windsor
from training.yardstick.ours import guess_open
from training.yardstick.peers import PEERS, folds
from training.yardstick.specification import rungs, specifications_of

A, B = Term("a", (linear("a"),)), Term("b", (linear("b"),))
BOTH = Term("a by b", (linear("a"), linear("b")))
SEEN = (Input("a", "a"), Input("b", "b"))


def rows(log_price, n: int = 400, seed: int = 0, noise: float = 0.1) -> Data:  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(seed)
    table = {"a": rng.uniform(-1, 1, n), "b": rng.uniform(-1, 1, n)}
    y = log_price(table["a"], table["b"]) + noise * rng.standard_normal(n)
    return Data(table, y, [""] * n, [""] * n, [str(i) for i in range(n)])


def test_the_evidence_pays_for_a_pair_only_where_there_is_one() -> None:
    specs = [Specification((A, B), (), {}), Specification((A, B, BOTH), (), {})]
    alone, _ = most_evident(rows(lambda a, b: a + b), specs)
    together, _ = most_evident(rows(lambda a, b: a + b + a * b), specs)
    assert [alone, together] == specs


def test_the_search_ends_at_the_first_that_is_not_borne_out() -> None:
    made = []

    def specs():  # type: ignore[no-untyped-def]
        for terms in ((A, B), (A, B, BOTH), (A, B, BOTH)):
            made.append(terms)
            yield Specification(terms, (), {})

    most_evident(rows(lambda a, b: a + b), specs())
    assert len(made) == 2
    with pytest.raises(ValueError, match="no specification"):
        most_evident(rows(lambda a, b: a), [])


def test_trees_on_the_price_say_what_the_backbone_cannot() -> None:
    """A checkerboard has no slope and no bend along either axis; trees find it, and the file keeps them."""

    def truth(a, b):  # type: ignore[no-untyped-def]
        return a + 0.5 * np.sign(np.sin(5 * a) * np.sin(5 * b))

    data, later = rows(truth, 1500), rows(truth, 500, seed=1, noise=0.0)
    spec = Specification((A, B), SEEN, {})
    fitted = fit_core(data, Specification((A, B), (), {}))
    core = stacked(data, spec, fitted)
    error = np.abs(core.center(later.table) - later.y).mean()
    assert error < 0.5 * np.abs(fitted.core.center(later.table) - later.y).mean()
    _, low, high = core.interval(later.table, [0.9])
    read = read_core(core.to_files())
    assert np.array_equal(read.interval(later.table, [0.9])[1], low)
    # Ranges come from left-out errors, so they shrink with the trees' help.
    assert (high - low).mean() < 0.7 * np.ptp(
        np.array(fitted.core.interval(later.table, [0.9])[1:]), 0
    ).mean()


def test_errors_that_have_nothing_in_common_are_halved_by_a_mean() -> None:
    """Two answers of equal, independent error: the best share is a half, and a fifth cannot be cut finer."""
    rng = np.random.default_rng(0)
    y, base, other = (scale * rng.standard_normal(4000) for scale in (1.0, 0.1, 0.1))
    settings: dict[str, object] = {}
    residual, price = _Trees(settings, 1, np.zeros(4000)), _Trees(settings, 1, y + other)
    useless = _Trees(settings, 1, 3 * y)
    every = np.ones(4000, bool)
    first, second, share, center = _best(y, y + base, [residual], [useless, price], every)
    assert first is residual
    assert second is price
    assert share in {2, 3}
    assert np.allclose(center, y + (5 - share) / 5 * base + share / 5 * other)
    assert _best(y, y + base, [residual], [useless], every)[2] == 0


def test_trees_are_asked_about_the_effects_that_they_were_shown() -> None:
    """Trees that split on a backbone's effect, in a core that has only a part of that backbone."""
    rng = np.random.default_rng(0)
    effect = rng.uniform(-1, 1, 25)

    def drawn(n: int, noise: float) -> Data:
        group, a = rng.integers(0, 25, n), rng.uniform(-1, 1, n)
        y = 3 * np.sign(effect[group]) * np.sign(a) + effect[group] + noise * rng.standard_normal(n)
        table = {"g": np.array([f"g{i}" for i in group], dtype=object), "a": a}
        return Data(table, y, [""] * n, [""] * n, [str(i) for i in range(n)])

    data, later = drawn(1200, 0.2), drawn(400, 0.0)
    spec = Specification(
        (Term("g", (levels("g"),)),), (Input("g effect", blocks=("g",)), Input("a", "a")), {}
    )
    fitted = fit_core(data, Specification(spec.terms, (), {}))
    core = stacked(data, spec, fitted)
    left = float(
        np.sqrt((core.spread.shape**2).mean()) * core.scale(data.table, core.center(data.table)).mean()
    )
    error = float(np.sqrt(((core.center(later.table) - later.y) ** 2).mean()))
    assert core.backbone.theta.any()
    assert abs(core.backbone.intercept) < abs(fitted.core.backbone.intercept)
    assert error < left


def test_a_backbone_that_is_the_truth_keeps_most_of_the_say() -> None:
    def truth(a, b):  # type: ignore[no-untyped-def]
        return 2 * a - b

    data, later = rows(truth), rows(truth, 500, seed=1, noise=0.0)
    fitted = fit_core(data, Specification((A, B), (), {}))
    core = stacked(data, Specification((A, B), SEEN, {}), fitted)
    assert core.backbone.theta[0] >= 0.79 * fitted.core.backbone.theta[0]
    assert np.abs(core.center(later.table) - later.y).mean() < 0.03


def test_losses_cannot_be_stacked() -> None:
    data = rows(lambda a, b: -np.abs(a))
    loss = Term("wear", (raw("a"),), "loss:condition")
    fitted = fit_core(data, Specification((loss, Term("b", (linear("b"),), LEVEL)), (), {}))
    with pytest.raises(ValueError, match="without losses"):
        stacked(data, Specification((loss,), SEEN, {}), fitted)


def test_rungs_lie_on_values_that_occur() -> None:
    values = np.repeat([1.0, 1.5, 2.0, 7.0], [10, 33, 20, 44])
    basis = rungs("x")({"x": np.append(values, np.nan)})
    assert basis is not None
    _, value = basis.rows({"x": np.array([0.0, 1.5, 7.0, 9.0, np.nan])})
    assert value.tolist() == [[0, 0, 0], [1, 0, 0], [1, 1, 1], [1, 1, 1], [0, 0, 0]]
    assert rungs("x")({"x": np.array([1.0, 2.0] * 20)}) is None


def test_every_column_is_in_the_plainest_specification_and_pairs_in_richer_ones() -> None:
    data = windsor()
    plain, paired, bent = specifications_of(data.columns, data.table)
    names = [{term.name for term in spec.terms} for spec in (plain, paired, bent)]
    assert names[0] < names[1] < names[2]
    assert {"lotsize", "lotsize curve", "lotsize jumps", "driveway"} <= names[0]
    assert {"lotsize by bedrooms", "lotsize by driveway level", "driveway level by prefer level"} <= names[1]
    assert [i.name for i in plain.forest] == [i.name for i in bent.forest]


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
