"""Our own fit as a contestant. Functions import the fitting code only when called: peers run without it."""

from models.price.core.core import read_core
from models.price.evaluator.evaluator import Evaluator
from models.study.judge import judge
from training.demo.market import Market
from training.fit import fit_model
from training.fit.core import fit_core
from training.yardstick.encoding import TableEncoding
from training.yardstick.open_data import OpenData
from training.yardstick.peers import LEVEL, Guess
from training.yardstick.specification import data_of, specification_of
from training.yardstick.tables import Ints


def predict_market(market: Market, seed: int) -> Guess:
    """Fitted on all the evidence of the market; predicts its later sales."""
    fit = fit_model(market.evidence, market.catalogue, market.rates, seed=seed, progress=False)
    said = judge(fit.model, market.holdout, market.rates, (LEVEL,))
    return Guess(said.center, said.low[:, 0], said.high[:, 0])


def predict_open(data: OpenData, train: Ints, test: Ints, seed: int) -> Guess:
    """Fitted on the `train` rows of an open data set as bundles are; predicts `test` rows from its files."""
    encoding, table, price = TableEncoding(data.columns), data.at(train), data.log_price[train]
    spec = specification_of(data.columns, table, price)
    core = fit_core(data_of(encoding, table, price), spec, encoding, seed).core
    served = Evaluator(read_core(core.to_files()), encoding)
    said = served.ranges(encoding.rows(data.at(test)), (LEVEL,))
    return Guess(said.center, said.low[:, 0], said.high[:, 0])
