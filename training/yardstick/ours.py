"""Our own fit as a contestant. Functions import the fitting code only when called: peers run without it."""

from __future__ import annotations

from models.study.judge import judge
from training.demo.market import Market
from training.yardstick.open_data import OpenData
from training.yardstick.peers import LEVEL, Guess
from training.yardstick.tables import Ints


def available() -> bool:
    """Say whether this checkout of the repository has the fitting code."""
    try:
        from training.fit import fit_model  # noqa: F401
    except ImportError:
        return False
    return True


def predict_market(market: Market, seed: int) -> Guess:
    """Fit on all the evidence of the market, and predict the prices of its later sales."""
    from training.fit import fit_model

    fit = fit_model(market.evidence, market.catalogue, market.rates, seed=seed, progress=False)
    said = judge(fit.model, market.holdout, market.rates, (LEVEL,))
    return Guess(said.center, said.low[:, 0], said.high[:, 0])


def predict_open(data: OpenData, train: Ints, test: Ints, seed: int) -> Guess:
    """Fit on the `train` rows of an open data set, and predict the `test` rows.

    The fit is written to files and read back first, as for a bundle, so that the served model is judged.
    """
    from models.price.core.core import read_core
    from models.price.evaluator.evaluator import Evaluator
    from training.fit.core import fit_core
    from training.yardstick.encoding import TableEncoding
    from training.yardstick.specification import data_of, specification_of

    encoding, table, price = TableEncoding(data.columns), data.at(train), data.log_price[train]
    spec = specification_of(data.columns, table, price)
    core = fit_core(data_of(encoding, table, price), spec, encoding, seed).core
    served = Evaluator(read_core(core.to_files()), encoding)
    said = served.ranges(encoding.rows(data.at(test)), (LEVEL,))
    return Guess(said.center, said.low[:, 0], said.high[:, 0])
