"""The rows of every basis, on tables small enough to write down."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from models.price.core.basis import (
    Basis,
    Levels,
    Linear,
    Ramps,
    Smooth,
    Table,
    Unknown,
    product,
    read_basis,
    shapes_over,
    smooth_over,
)

NAN = float("nan")


def numbers(**columns: list[float]) -> Table:
    return {name: np.array(values, dtype=np.float64) for name, values in columns.items()}


def words(**columns: list[str]) -> Table:
    return {name: np.array(values, dtype=object) for name, values in columns.items()}


def dense(basis: Basis, table: Table) -> list[list[float]]:
    """The design as a matrix."""
    index, value = basis.rows(table)
    out = np.zeros((len(index), basis.size))
    for row in range(len(index)):
        for column, x in zip(index[row], value[row], strict=True):
            out[row, column] += x
    return [[float(x) for x in row] for row in out]


def test_levels_have_one_column_each_then_unknown_then_never_seen() -> None:
    table = words(maker=["b", "", "z", "a"])
    assert dense(Levels("maker", ("a", "b")), table) == [
        [0, 1, 0, 0],
        [0, 0, 1, 0],
        [0, 0, 0, 1],
        [1, 0, 0, 0],
    ]
    silent = Levels("maker", ("a", "b"), unknown=False)
    assert dense(silent, table) == [[0, 1, 0, 0], [0, 0, 0, 0], [0, 0, 0, 1], [1, 0, 0, 0]]


def test_linear_is_centred_and_scaled_and_nothing_where_unknown() -> None:
    assert dense(Linear("w", 10.0, 2.0), numbers(w=[10, 14, 9, NAN])) == [[0], [2], [-0.5], [0]]


def test_unknown_can_count_as_something() -> None:
    assert dense(Linear("w", 0.0, 2.0, 0.75), numbers(w=[NAN, 1.0])) == [[0.75], [0.5]]
    assert dense(Ramps("g", (0.0, 1.0, 2.0), (0.5, 0.25)), numbers(g=[NAN, 2.0])) == [[0.5, 0.25], [1, 1]]


def test_unknown_marks_what_is_not_there_in_numbers_and_in_words() -> None:
    assert dense(Unknown("w"), numbers(w=[NAN, 0.0, 3.0])) == [[1], [0], [0]]
    assert dense(Unknown("w"), words(w=["", "x"])) == [[1], [0]]


def test_ramps_climb_between_their_knots_and_are_held_flat_outside() -> None:
    grades = Ramps("g", (0.0, 1.0, 2.0, 3.0))
    table = numbers(g=[-1, 0, 0.5, 1, 2.25, 3, 99, NAN])
    assert dense(grades, table) == [
        [0, 0, 0],
        [0, 0, 0],
        [0.5, 0, 0],
        [1, 0, 0],
        [1, 1, 0.25],
        [1, 1, 1],
        [1, 1, 1],
        [0, 0, 0],
    ]
    years = Ramps("t", (2010.0, 2012.0, 2016.0))
    assert dense(years, numbers(t=[2009, 2011, 2013, 2016, 2040])) == [
        [0, 0],
        [0.5, 0],
        [1, 0.25],
        [1, 1],
        [1, 1],
    ]


def test_a_curve_takes_its_loadings_at_the_knots_and_goes_straight_between_them() -> None:
    loadings = np.array([[0.0, 1.0], [2.0, 0.0], [4.0, -1.0]])
    curve = Smooth("x", (0.0, 1.0, 3.0), loadings)
    table = numbers(x=[0, 1, 3, 0.5, 2, -7, 50, NAN])
    assert dense(curve, table) == [[0, 1], [2, 0], [4, -1], [1, 0.5], [3, -0.5], [0, 1], [4, -1], [0, 0]]


def test_the_shapes_of_a_curve_have_no_level_and_no_slope_and_get_rougher() -> None:
    knots = [0.0, 1, 2, 3, 4, 5, 6, 7]
    shapes = smooth_over("x", knots, 4).loadings
    assert shapes.shape == (8, 4)
    assert np.abs(shapes.sum(axis=0)).max() < 1e-9
    assert np.abs(np.array(knots) @ shapes).max() < 1e-9
    # Each bends once more than the one before: 2, 3, 4, 5 changes of sign.
    assert [int((np.diff(np.sign(s)) != 0).sum()) for s in shapes.T] == [2, 3, 4, 5]
    # Eigenvectors come with either sign; the largest entry of each is made positive.
    assert (shapes[np.abs(shapes).argmax(axis=0), np.arange(4)] > 0).all()
    # A rougher shape costs more, so that it is smaller for the same coefficient.
    sizes = (shapes**2).mean(axis=0)
    assert (np.diff(sizes) < 0).all() and sizes.mean() == pytest.approx(1.0)


def test_the_shapes_of_a_covariance_give_it_back() -> None:
    # Steps of variance 1, 2 and 3 one after the other: values 1, 3 and 6, and what they share.
    covariance = np.array([[1.0, 1.0, 1.0], [1.0, 3.0, 3.0], [1.0, 3.0, 6.0]])
    loadings = shapes_over("t", [0.0, 1.0, 2.0], covariance, 3).loadings
    assert loadings @ loadings.T == pytest.approx(covariance)
    two = shapes_over("t", [0.0, 1.0, 2.0], covariance, 2).loadings
    assert two.shape == (3, 2) and two @ two.T == pytest.approx(covariance, abs=0.6)


def test_a_product_has_the_first_basis_slowest() -> None:
    table = {**words(m=["b", "a"]), **numbers(x=[3.0, 5.0])}
    index, value = product([Levels("m", ("a", "b")), Linear("x", 1.0, 2.0)], table)
    assert (index.tolist(), value.tolist()) == ([[1], [0]], [[1.0], [2.0]])
    index, value = product([Levels("m", ("a", "b")), Ramps("x", (2.0, 4.0, 8.0))], table)
    assert (index.tolist(), value.tolist()) == ([[2, 3], [0, 1]], [[0.5, 0.0], [1.0, 0.25]])


@pytest.mark.parametrize(
    "basis",
    [
        Levels("m", ("a", "é"), unknown=False),
        Linear("x", 0.1, 0.3),
        Linear("x", 0.1, 0.3, 0.7),
        Unknown("x"),
        Ramps("x", (0.0, 0.1, 7.0)),
        Ramps("x", (0.0, 0.1, 7.0), (0.4, 0.2)),
        smooth_over("x", [0.0, 0.3, 1.0, 2.0, 5.0], 2),
    ],
)
def test_a_basis_comes_back_from_json_with_the_same_rows(basis: Basis) -> None:
    again = read_basis(json.loads(json.dumps(basis.state())))
    table: dict[str, Any] = {**words(m=["é", "", "q"]), **numbers(x=[0.2, NAN, 4.4])}
    for one, other in zip(basis.rows(table), again.rows(table), strict=True):
        assert (one == other).all()
    assert (again.size, again.column) == (basis.size, basis.column)


def test_a_kind_of_basis_that_does_not_exist_is_refused() -> None:
    with pytest.raises(KeyError):
        read_basis({"kind": "wavelet", "column": "x"})
