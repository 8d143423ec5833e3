"""Our own fit as a contestant. The fitting code is imported late: peers run without it."""

from __future__ import annotations

from dataclasses import replace

from models.study.judge import judge
from training.demo.market import Market
from training.yardstick.open_data import OpenData
from training.yardstick.peers import LEVEL, Guess
from training.yardstick.tables import Ints


def available() -> bool:
    """Whether this tree has the fitting code."""
    try:
        from training.fit import fit_model  # noqa: F401
    except ImportError:
        return False
    return True


def guess_market(market: Market, seed: int) -> Guess:
    """Fitted on all the evidence of the market; guesses its later sales."""
    from training.fit import fit_model

    fit = fit_model(market.evidence, market.catalogue, market.rates, seed=seed, progress=False)
    said = judge(fit.model, market.holdout, market.rates, (LEVEL,))
    return Guess(said.center, said.low[:, 0], said.high[:, 0])


def guess_open(data: OpenData, train: Ints, test: Ints, seed: int) -> Guess:
    """Fitted on the `train` rows of an open data set by the core's own path; guesses the `test` rows."""
    from training.fit.core import Data, fit_core
    from training.fit.problem import SALE
    from training.fit.stack import stacked
    from training.yardstick.specification import specification_of

    table, sales = data.at(train), [SALE] * len(train)
    rows = Data(table, data.log_price[train], sales, sales, [str(row) for row in train])
    spec = specification_of(data.columns, table)
    fitted = fit_core(rows, replace(spec, forest=()), seed)
    center, low, high = stacked(rows, spec, fitted, seed).interval(data.at(test), (LEVEL,))
    return Guess(center, low[:, 0], high[:, 0])
