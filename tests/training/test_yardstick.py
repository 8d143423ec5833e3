"""The yardstick: honest data, peers that see nothing of the test rows, scores by their definitions."""

import numpy as np
import pytest

from models.study.intervals import conformal_quantile
from training.yardstick.open_data import OPEN_DATA, OpenData, Scale
from training.yardstick.peers import LEARNERS, PEERS, folds, guess_with, rows_of
from training.yardstick.specification import backbone_terms
from training.yardstick.table import as_text

# Rows as the packages' documentation gives them; drawn where the yardstick draws.
ROWS = {
    "ames": 2930,
    "computers": 3000,
    "diamonds": 2000,
    "stones": 308,
    "windsor": 546,
    "grinnell": 929,
    "auctions": 141,
}
# What would give the price away, or is the price.
GIVEN_AWAY = {
    "price",
    "SalePrice",
    "ListPrice",
    "OrigPrice",
    "CostPerSqFt",
    "SPLPPct",
    "total_pr",
    "x",
    "y",
    "z",
    "n_bids",
}


@pytest.fixture(scope="module")
def data() -> dict[str, OpenData]:
    return {name: load() for name, load in OPEN_DATA.items()}


def test_all_rows_and_nothing_that_gives_the_price_away(data: dict[str, OpenData]) -> None:
    assert {name: len(d) for name, d in data.items()} == ROWS
    for d in data.values():
        assert np.isfinite(d.log_price).all()
        assert not GIVEN_AWAY & {column.name for column in d.columns}
        assert {len(values) for values in d.table.values()} == {len(d)}
        # Nothing in the table is the price in another form.
        numbers = [
            v for v in d.table.values() if v.dtype.kind == "f" and not np.isnan(v).any() and v.std() > 0
        ]
        assert max(abs(np.corrcoef(v, d.log_price)[0, 1]) for v in numbers) < 0.985


def test_grades_are_in_order(data: dict[str, OpenData]) -> None:
    stones = data["stones"]
    clarity = next(column for column in stones.columns if column.name == "clarity")
    assert clarity.scale is Scale.GRADE
    for place, term in enumerate(clarity.terms):
        rows = stones.table["clarity="] == term
        assert rows.any()
        assert set(stones.table["clarity"][rows]) == {place}


def test_every_column_reaches_the_backbone(data: dict[str, OpenData]) -> None:
    for d in data.values():
        blocks = [block for term in backbone_terms(d.columns) if (block := term.fitted(d.table)) is not None]
        used = {column.rstrip("=") for block in blocks for column in block.columns}
        constant = {n for n, v in d.table.items() if v.dtype.kind == "f" and np.nanmax(v) == np.nanmin(v)}
        assert {column.name for column in d.columns} - constant == used


def test_folds_part_the_rows() -> None:
    parts = folds(103, 5, 7)
    assert sorted(np.concatenate(parts)) == list(range(103))
    assert {len(part) for part in parts} == {20, 21}
    assert not np.array_equal(parts[0], folds(103, 5, 8)[0])


@pytest.mark.parametrize("name", PEERS)
def test_peers_learn_and_their_ranges_hold(name: str, data: dict[str, OpenData]) -> None:
    needs = {"XGBoost": "xgboost", "CatBoost": "catboost", "LightGBM": "lightgbm"}
    pytest.importorskip(next((lib for word, lib in needs.items() if word in name), "sklearn"))
    d = data["stones"]
    test = folds(len(d), 3, 0)[0]
    train = np.setdiff1d(np.arange(len(d)), test)
    prediction = PEERS[name](d.at(train), d.log_price[train], d.at(test), 0)
    paid = d.log_price[test]
    assert (prediction.low <= prediction.center).all()
    assert (prediction.center <= prediction.high).all()
    # Much better than the mean of the training prices, which is off by the spread of the prices.
    assert np.abs(prediction.center - paid).mean() < 0.4 * np.abs(d.log_price[train].mean() - paid).mean()
    assert 0.75 < ((prediction.low <= paid) & (paid <= prediction.high)).mean() <= 1


def test_widths_come_from_rows_that_were_not_fitted() -> None:
    """A learner that remembers its rows and knows nothing else must get the width of knowing nothing."""
    rng = np.random.default_rng(0)
    table, y = {"x": np.arange(200.0)}, rng.standard_normal(200)

    def remembers(rows: dict, prices: np.ndarray, seed: int):  # type: ignore[no-untyped-def, type-arg]
        known = dict(zip(rows["x"], prices, strict=True))
        return lambda other: np.array([known.get(x, 0.0) for x in other["x"]])

    prediction = guess_with(remembers, table, y, {"x": np.array([999.0])}, 0)  # type: ignore[arg-type]
    assert prediction.high[0] == pytest.approx(conformal_quantile(np.abs(y), 0.9))


def test_unknown_and_unseen_do_not_break_a_peer(data: dict[str, OpenData]) -> None:
    pytest.importorskip("sklearn")
    d = data["grinnell"]
    rows = np.arange(200)
    table = {**d.at(rows), "town": np.array(["a", "b", "", "c"] * 50, dtype=object)}
    other = {**rows_of(table, np.arange(3)), "town": np.array(["", "z", "a"], dtype=object)}
    for name in ("hedonic ridge", "nearest comparables", "LightGBM, plain"):
        assert np.isfinite(LEARNERS[name](table, d.log_price[rows], 0)(other)).all()


def test_the_table_marks_the_best() -> None:
    scores = {
        "houses": {
            "a": {"median_error": 5.0, "rmse_log": 0.2, "coverage": 0.91, "interval_score": 0.9},
            "b": {"median_error": 4.0, "rmse_log": 0.3, "coverage": 0.89, "interval_score": 0.8},
        }
    }
    head, a, b = as_text(scores).splitlines()
    assert head.startswith("houses")
    assert a.split() == ["a", "5.00%", "0.2000*", "91.0%", "0.9000"]
    assert b.split() == ["b", "4.00%*", "0.3000", "89.0%", "0.8000*"]
