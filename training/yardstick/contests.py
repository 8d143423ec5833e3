"""The contests of the yardstick, each split into fits that can run in any process and in any order."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from models.price.instruments.features import columns
from models.study.intervals import covered, interval_score
from models.study.judge import log_usd, only_sales
from training.demo.market import Market, make_market
from training.fit.design.typical import typical_of
from training.yardstick.kept import FOLDER, answered
from training.yardstick.open_data import OPEN_DATA, OpenData
from training.yardstick.ours import predict_market, predict_open
from training.yardstick.peers import LEVEL, PEERS, Guess, folds
from training.yardstick.tables import Floats, Ints

OURS = "this fit"
FOLDS = 5

# Demo markets: contest → (nature, number of sales). Their seeds are used nowhere else.
MARKETS: Mapping[str, tuple[str, int]] = {
    "demo market": ("house", 3000),
    "entangled market": ("entangled", 3000),
    "small market": ("additive", 400),
}
_FIRST_SEED = 7001
CONTESTS = (*MARKETS, *OPEN_DATA)
CONTESTANTS = (OURS, *PEERS)


@dataclass(frozen=True)
class ContestFit:
    """One fit of one contestant, for one repeat and one fold of a contest; a market has only fold 0."""

    contest: str
    contestant: str
    repeat: int
    fold: int


@dataclass(frozen=True)
class ContestResult:
    """The result of one fit (`piece`): n log prices paid, and the contestant's predictions of them."""

    piece: ContestFit
    paid: Floats
    prediction: Guess


def pieces(contests: Sequence[str], contestants: Sequence[str], repeats: int) -> Iterator[ContestFit]:
    """Yield every fit of the comparison, in the order of the table."""
    for contest in contests:
        count = 1 if contest in MARKETS else FOLDS
        for contestant in contestants:
            for repeat in range(repeats):
                for fold in range(count):
                    yield ContestFit(contest, contestant, repeat, fold)


def run(piece: ContestFit) -> ContestResult:
    """Run one fit, and predict the prices of its test rows."""
    return (_run_market if piece.contest in MARKETS else _run_open)(piece)


def _run_open(piece: ContestFit) -> ContestResult:
    data = _open(piece.contest)
    test = folds(len(data), FOLDS, piece.repeat)[piece.fold]
    train: Ints = np.setdiff1d(np.arange(len(data)), test)
    paid = data.log_price[test]
    if piece.contestant == OURS:
        return ContestResult(piece, paid, predict_open(data, train, test, piece.repeat))
    prediction = answered(
        FOLDER, piece.contestant, data.at(train), data.log_price[train], data.at(test), piece.repeat
    )
    return ContestResult(piece, paid, prediction)


@lru_cache(maxsize=2)
def _open(name: str) -> OpenData:
    return OPEN_DATA[name]()


@lru_cache(maxsize=1)
def _market(name: str, repeat: int) -> Market:
    nature, sales = MARKETS[name]
    return make_market(_FIRST_SEED + repeat, sales, nature)


def _run_market(piece: ContestFit) -> ContestResult:
    market = _market(piece.contest, piece.repeat)
    paid = log_usd(market.holdout, market.rates)
    if piece.contestant == OURS:
        return ContestResult(piece, paid, predict_market(market, piece.repeat))
    sales = only_sales(market.evidence)
    # Typical values of a model come from the evidence alone, because the later sales are the test.
    typical = typical_of(market.evidence, market.catalogue)
    train, test = (
        columns([row.subject for row in rows], market.catalogue, typical)
        for rows in (sales, list(market.holdout))
    )
    prediction = answered(FOLDER, piece.contestant, train, log_usd(sales, market.rates), test, piece.repeat)
    return ContestResult(piece, paid, prediction)


SCORES: Mapping[str, Callable[[Floats, Guess], float]] = {
    "median_error": lambda y, g: float(100 * np.median(np.abs(np.expm1(g.center - y)))),
    "rmse_log": lambda y, g: float(np.sqrt(((g.center - y) ** 2).mean())),
    "coverage": lambda y, g: float(covered(y, g.low, g.high).mean()),
    "interval_score": lambda y, g: float(interval_score(y, g.low, g.high, LEVEL).mean()),
}


def scored(answers: Sequence[ContestResult]) -> dict[str, dict[str, dict[str, float]]]:
    """Return contest → contestant → score name → mean score over repeats.

    The folds of a repeat are joined before they are scored.
    """
    out: dict[str, dict[str, dict[str, float]]] = {}
    keys = dict.fromkeys((a.piece.contest, a.piece.contestant) for a in answers)
    for contest, contestant in keys:
        own = [a for a in answers if (a.piece.contest, a.piece.contestant) == (contest, contestant)]
        each = [
            _whole([a for a in own if a.piece.repeat == r]) for r in sorted({a.piece.repeat for a in own})
        ]
        means = {name: float(np.mean([score(y, g) for y, g in each])) for name, score in SCORES.items()}
        out.setdefault(contest, {})[contestant] = means
    return out


def _whole(answers: Sequence[ContestResult]) -> tuple[Floats, Guess]:
    paid = np.concatenate([a.paid for a in answers])
    center, low, high = (
        np.concatenate([getattr(a.prediction, name) for a in answers]) for name in ("center", "low", "high")
    )
    return paid, Guess(center, low, high)
