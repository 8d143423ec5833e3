"""Our own fit as a contestant. The fitting code is imported late: peers run without it."""

from __future__ import annotations

from training.demo.market import Market
from training.study.judge import judge
from training.yardstick.peers import LEVEL, Guess


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
