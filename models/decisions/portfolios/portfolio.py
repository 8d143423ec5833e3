"""The total of a portfolio, its ranges, the same by maker, model and age, and its value at risk."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import NamedTuple

import numpy as np

from models.decisions.portfolios.draws import Joint, draw
from models.decisions.portfolios.horizon import FEW_WINDOWS, History, history_of
from models.domain.instrument import Subject
from models.domain.money import Quote, round_money
from models.price.core.basis import Floats, Ints
from models.valuation.caution_texts import BESIDE, Caution
from models.valuation.valuer import Interval, Valuer, money_of

# The groups of age: least days since an item was bought, and the group's name, the oldest first.
AGES = ((731, "over_2_years"), (366, "1_to_2_years"), (183, "6_to_12_months"), (0, "under_6_months"))
AGE_UNKNOWN = "not_known"
RISK_LEVELS = (0.9, 0.95, 0.99)  # The chances with which a loss is no larger than is said.
_AGE_NAMES = (*(name for _, name in reversed(AGES)), AGE_UNKNOWN)
_FRESH_DAYS = 31


class Holding(NamedTuple):
    """An item of a portfolio. Its amounts are in the portfolio's currency.

    `subject`: with names as in the catalogue, and the day of the portfolio.
    """

    subject: Subject
    bought: date | None = None
    cost: Decimal | None = None
    asking: Decimal | None = None


class Known(NamedTuple):
    """The sum of amounts that are known of some items only. `items`: their number; `value`: their values."""

    items: int
    amount: Decimal
    value: Decimal


@dataclass(frozen=True)
class Total:
    """A group's total. `name`: the maker, the maker and the model, or the age; () for the whole portfolio.

    `value`: the sum of the items' values, each the median of its prices. `expected`: the expected sum, which
    the ranges lie around: medians do not add up, means do. `share`: of the portfolio's expected sum.
    """

    name: tuple[str, ...]
    items: int
    value: Decimal
    expected: Decimal
    intervals: tuple[Interval, ...]
    share: float
    cost: Known
    asking: Known


class Loss(NamedTuple):
    """A loss within the horizon. `level`: the chance that the portfolio loses no more than `amount`.

    `market`: the same by the moves of the market alone, as if the present total were known. `left`: the total
    that is left.
    """

    level: float
    amount: Decimal
    market: Decimal
    left: Decimal


@dataclass(frozen=True)
class ValueAtRisk:
    """The losses over a horizon. `losses`: () if the history is too short."""

    history: History
    losses: tuple[Loss, ...]


@dataclass(frozen=True)
class Portfolio:
    """The value of many items on one day. All money is in `currency`."""

    day: date
    currency: str
    rate: Quote
    total: Total
    makers: tuple[Total, ...]
    models: tuple[Total, ...]
    ages: tuple[Total, ...]
    value_at_risk: ValueAtRisk
    cautions: tuple[Caution, ...]
    model_version: str
    provisional: bool


def portfolio_of(
    valuer: Valuer, holdings: Sequence[Holding], currency: str, levels: Sequence[float], months: int
) -> Portfolio:
    """Value n ≥ 1 items of one day together. Raises InputError for a currency without a rate.

    The same items in the same order get the same figures. `months`: the horizon of the value at risk.
    """
    subjects = [one.subject for one in holdings]
    day = subjects[0].day
    rate = valuer.quote(currency, day)
    parts = [_divided(holdings, key) for key in (_all, _maker, _model, _age)]
    joint = draw(valuer.model, subjects, [part.groups for part in parts])
    figures = _Figures(holdings, currency, rate.usd, tuple(levels), joint)
    (total,), makers, models, ages = (
        figures.totals(part, draws) for part, draws in zip(parts, joint.totals, strict=True)
    )
    risk = figures.at_risk(valuer, parts[2], months)
    return Portfolio(
        day=day,
        currency=currency,
        rate=rate,
        total=total,
        makers=_largest(makers),
        models=_largest(models),
        ages=tuple(sorted(ages, key=lambda one: _AGE_NAMES.index(one.name[0]))),
        value_at_risk=risk,
        cautions=tuple(Caution(code, BESIDE[code]) for code in _cautions(valuer, day, risk)),
        model_version=valuer.version,
        provisional=valuer.provisional,
    )


class _Part(NamedTuple):
    """The groups of a partition: their names, and (n,) numbers of the groups that items are in."""

    names: tuple[tuple[str, ...], ...]
    groups: Ints


def _divided(holdings: Sequence[Holding], key: Callable[[Holding], tuple[str, ...]]) -> _Part:
    numbers: dict[tuple[str, ...], int] = {}
    groups = [numbers.setdefault(key(one), len(numbers)) for one in holdings]
    return _Part(tuple(numbers), np.array(groups, np.int64))


def _all(_: Holding) -> tuple[str, ...]:
    return ()


def _maker(one: Holding) -> tuple[str, ...]:
    return (one.subject.instrument.maker,)


def _model(one: Holding) -> tuple[str, ...]:
    return (one.subject.instrument.maker, one.subject.instrument.model)


def _age(one: Holding) -> tuple[str, ...]:
    if one.bought is None:
        return (AGE_UNKNOWN,)
    days = max((one.subject.day - one.bought).days, 0)
    return (next(name for least, name in AGES if days >= least),)


def _largest(totals: Sequence[Total]) -> tuple[Total, ...]:
    return tuple(sorted(totals, key=lambda one: (-one.expected, one.name)))


class _Figures:
    """The figures of groups of items in money. `usd`: US dollars for one unit of the currency."""

    def __init__(
        self, holdings: Sequence[Holding], currency: str, usd: float, levels: tuple[float, ...], joint: Joint
    ) -> None:
        self._holdings, self._currency, self._usd, self._levels = holdings, currency, usd, levels
        self._joint = joint
        self._values = [money_of(log, usd, currency) for log in joint.center.tolist()]

    def totals(self, part: _Part, draws: Floats) -> list[Total]:
        """Return the totals of all groups of a partition, from (groups, draws) sums in US dollars."""
        own: list[list[int]] = [[] for _ in part.names]
        for at, group in enumerate(part.groups.tolist()):
            own[group].append(at)
        return [self._total(*one) for one in zip(part.names, own, draws, strict=True)]

    def _total(self, name: tuple[str, ...], own: Sequence[int], draws: Floats) -> Total:
        expected = self._joint.expected[own].sum()
        return Total(
            name=name,
            items=len(own),
            value=self._sum(self._values[at] for at in own),
            expected=self._money(expected),
            intervals=tuple(Interval(level, *map(self._money, ends(draws, level))) for level in self._levels),
            share=float(expected / self._joint.expected.sum()),
            cost=self._known({at: self._holdings[at].cost for at in own}),
            asking=self._known({at: self._holdings[at].asking for at in own}),
        )

    def _known(self, amounts: Mapping[int, Decimal | None]) -> Known:
        known = {at: amount for at, amount in amounts.items() if amount is not None}
        return Known(len(known), self._sum(known.values()), self._sum(self._values[at] for at in known))

    def at_risk(self, valuer: Valuer, models: _Part, months: int) -> ValueAtRisk:
        """Return what the whole may lose. `models`: the partition by model."""
        first = [int(np.flatnonzero(models.groups == at)[0]) for at in range(len(models.names))]
        worth = np.bincount(models.groups, self._joint.expected)
        subjects = [self._holdings[at].subject for at in first]
        history = history_of(valuer.model, subjects, (worth / worth.sum()).tolist(), months)
        if not history.enough:
            return ValueAtRisk(history, ())
        draws, now = self._joint.totals[0][0], float(worth.sum())
        moved = np.exp(history.moves(len(draws)))
        return ValueAtRisk(
            history, tuple(self._loss(level, now, draws * moved, now * moved) for level in RISK_LEVELS)
        )

    def _loss(self, level: float, now: float, later: Floats, market: Floats) -> Loss:
        left, by_market = (float(np.quantile(one, 1 - level)) for one in (later, market))
        return Loss(
            level,
            self._money(max(now - left, 0.0)),
            self._money(max(now - by_market, 0.0)),
            self._money(left),
        )

    def _sum(self, amounts: Iterable[Decimal]) -> Decimal:
        return sum(amounts, round_money(0, self._currency))

    def _money(self, usd: float) -> Decimal:
        return round_money(float(usd) / self._usd, self._currency)


def ends(draws: Floats, level: float) -> tuple[float, float]:
    """Return the ends of the central range of this level."""
    low, high = np.quantile(draws, [(1 - level) / 2, (1 + level) / 2])
    return float(low), float(high)


def _cautions(valuer: Valuer, day: date, risk: ValueAtRisk) -> Iterator[str]:
    yield "portfolio_not_one_sale"
    last = valuer.model.last_evidence
    if last is not None and (day - last).days > _FRESH_DAYS:
        yield "portfolio_after_evidence"
    if not risk.history.enough:
        yield "market_history_too_short"
    elif risk.history.windows < FEW_WINDOWS:
        yield "market_history_short"
