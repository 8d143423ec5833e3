"""Recorded prices of the demo market: rounded, with auction premiums, in one of four currencies."""

from datetime import date
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from models.domain.money import Rates, round_money
from models.price.core.basis import Floats, Ints
from training.demo.trade.events import SALE, Events
from training.demo.trade.slips import CURRENCY

_CURRENCIES = ("USD", "EUR", "GBP", "JPY")
_CURRENCY_CHANCES = (0.58, 0.22, 0.14, 0.06)


def to_money(events: Events, rates: Rates, seed: int) -> list[tuple[Decimal, str]]:
    """Return price and currency of each event: a round sum, and at an auction the buyer's premium on top.

    An event with the recording mistake `CURRENCY` has an amount in yen that is called dollars.
    """
    rng = np.random.default_rng([seed, 3])
    n = len(events.kind)
    currency = rng.choice(4, n, p=_CURRENCY_CHANCES)
    currency[events.slip == CURRENCY] = _CURRENCIES.index("JPY")
    premium = 1 + rng.choice((0.18, 0.22, 0.25), n)
    usd = _usd_per_unit(events.day, rates)
    amount = np.exp(events.log_price) / usd[currency, np.arange(n)]
    auction = (events.channel == 2) & (events.kind == SALE)
    hammer = _round_sum(np.where(auction, amount / premium, amount), fine=events.kind == SALE)
    paid = np.where(auction, hammer * premium, hammer)
    called = np.where(events.slip == CURRENCY, 0, currency)
    return [
        (round_money(float(amount), _CURRENCIES[true]), _CURRENCIES[said])
        for amount, true, said in zip(paid, currency, called, strict=True)
    ]


def _round_sum(amount: Floats, fine: NDArray[np.bool_]) -> Floats:
    """Round to three significant digits where `fine` (sales), else to half a unit of the second digit."""
    step = 10.0 ** (np.floor(np.log10(amount)) - 1)
    step = np.where(fine, step / 10, step / 2)
    return np.asarray(np.maximum(np.rint(amount / step), 1) * step)


def _usd_per_unit(day: Ints, rates: Rates) -> Floats:
    """Return (currencies, n) US dollars for one unit of each currency on each day."""
    unique, back = np.unique(day, return_inverse=True)
    table = [[rates.usd_per(c, date.fromordinal(int(d))) for d in unique] for c in _CURRENCIES]
    return np.array(table)[:, back]
