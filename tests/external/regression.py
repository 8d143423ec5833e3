"""A regression by the fitting code of the price model: flat priors, tails of a normal distribution."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from models.price.core.basis import Table
from training.fit.core import problem_of
from training.fit.design.data import Data
from training.fit.design.problem import SALE, Problem, matrix
from training.fit.design.recipes import levels, linear
from training.fit.design.specification import Specification
from training.fit.design.terms import BackboneTerm
from training.fit.solve import fitted_values
from training.fit.solve.empirical_bayes import fit_backbone
from training.fit.solve.solution import Solution, first_solution

NORMAL = 1e12  # degrees of freedom of a t distribution that is normal to every digit compared here


@dataclass(frozen=True)
class Regression:
    """A fit on `table` that was told to pool nothing and to weight all rows alike."""

    table: Table
    y: np.ndarray
    problem: Problem
    estimate: Solution

    def at(self, table: Table) -> np.ndarray:
        layout = self.problem.layout
        return fitted_values.predict(layout, matrix(layout, table), self.estimate.theta, self.estimate.cap)

    def at_one(self, **values: Any) -> float:
        """The answer at one row."""
        row = {
            name: np.array([v], dtype=object if isinstance(v, str) else np.float64)
            for name, v in values.items()
        }
        return float(self.at(row)[0])

    def effect(self, column: str, to: Any, start: Any) -> float:
        """Give how far the answer changes if `column` turns from `start` to `to`, all else equal."""
        first = {name: values[:1] for name, values in self.table.items()}
        pair = [{**first, column: np.array([v], dtype=self.table[column].dtype)} for v in (to, start)]
        return float(self.at(pair[0])[0] - self.at(pair[1])[0])

    def slope(self, column: str) -> float:
        return self.effect(column, 1.0, 0.0)

    @property
    def r2(self) -> float:
        return float(1 - ((self.y - self.at(self.table)) ** 2).sum() / ((self.y - self.y.mean()) ** 2).sum())


def regression(y: Sequence[float], numbers: Mapping[str, Any], words: Mapping[str, Any]) -> Regression:
    table = {name: np.asarray(values, np.float64) for name, values in numbers.items()}
    table |= {name: np.array([str(v) for v in values], dtype=object) for name, values in words.items()}
    terms = [BackboneTerm(name, (linear(name),), pooled=False) for name in numbers]
    terms += [BackboneTerm(name, (levels(name),), pooled=False) for name in words]
    rows, price = [SALE] * len(y), np.asarray(y, np.float64)
    data = Data(table, (), price, rows, rows, [str(i) for i in range(len(y))])
    problem = problem_of(data, Specification(tuple(terms)))
    first = replace(
        first_solution(problem, math.inf), degrees_of_freedom=np.array([NORMAL]), sigma2=np.array([1.0])
    )
    return Regression(table, price, problem, fit_backbone(problem, first, most=2, learn=False))
