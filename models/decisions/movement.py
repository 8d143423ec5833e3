"""The split of the difference between two values of one item into the causes that moved it.

The causes change one after the other, from the old value to the new one: the **day** (by the old price
model), the **price model**, each changed **field** of the instrument (by the new price model, as its
attributions have it), the **channel**, and the **exchange rate**. Each step has an effect in log, and the
effects sum to the log of the new value over the old one. `split_money` turns them into amounts that sum to
the difference to the cent.

Some steps cannot be told apart, and are one cause then:

- The old price model is gone, or no longer gives the value that was kept: day and price model.
- The item became another model of instrument: all changed fields. The new price model cannot value the
  instrument as it was: those and whatever comes before them that the old price model cannot tell.

An item whose currency changed has its old value restated in the new currency, at the rate of the old value's
day, so that the change of currency itself moves nothing.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from enum import StrEnum
from typing import NamedTuple

from models.domain.instrument import Subject
from models.domain.money import split_money
from models.domain.vocabulary import FIELDS
from models.errors import RateError, UnknownNameError
from models.price.interface import PriceModel
from models.valuation.valuer import Valuer, money_of


class Cause(StrEnum):
    """The causes of a move, in the order in which they are counted."""

    MARKET = "market"
    PRICE_MODEL = "price_model"
    MARKET_AND_PRICE_MODEL = "market_and_price_model"
    FIELD = "field"
    INSTRUMENT = "instrument"
    CHANNEL = "channel"
    EXCHANGE_RATE = "exchange_rate"


MEANINGS: Mapping[Cause, str] = {
    Cause.MARKET: "the days between the two values, by the price model of the earlier one",
    Cause.PRICE_MODEL: "the new price model, fitted on other evidence or in another way",
    Cause.MARKET_AND_PRICE_MODEL: "both together: the earlier price model is gone, or gives another value "
    "than was kept, so nothing tells them apart",
    Cause.FIELD: "a changed field of the instrument, by the price model of the later value",
    Cause.INSTRUMENT: "all changed fields together: the item became another model, or the new price model "
    "does not know the instrument as it was and nothing tells its own part from theirs",
    Cause.CHANNEL: "the channel in which the item is sold",
    Cause.EXCHANGE_RATE: "the exchange rate between the two values",
}


class ValuedState(NamedTuple):
    """A value of an item with the state it was valued in.

    `rate`: US dollars for one unit of the currency. `version`: of the price model.
    """

    subject: Subject
    value: Decimal
    currency: str
    rate: float
    version: str


class MovePart(NamedTuple):
    """The part of one cause in a move; `field` is the path of the changed field, None for other causes."""

    cause: Cause
    field: str | None
    amount: Decimal


class Movement(NamedTuple):
    """A move of a value. Its parts sum to `difference`.

    `before`: the old value, in the currency of the new one. `restated`: whether it had another currency and
    was converted at the rate of its day.
    """

    before: Decimal
    difference: Decimal
    currency: str
    restated: bool
    parts: tuple[MovePart, ...]


class _Effect(NamedTuple):
    cause: Cause
    field: str | None
    log: float


def movements(
    moves: Sequence[tuple[ValuedState, ValuedState]], valuer: Valuer, past: Callable[[str], Valuer | None]
) -> list[Movement]:
    """Split each move, from an old value to one that `valuer` gave.

    `past`: gives the valuer of an earlier price model, None if that is gone.
    """
    steps = [_Steps(old, new) for old, new in moves]
    for version in sorted({old.version for old, _ in moves}):
        own = [step for step in steps if step.old.version == version]
        earlier = valuer if version == valuer.version else past(version)
        if earlier is not None:
            _by_old_model(own, earlier)
    _by_new_model(steps, valuer)
    return [step.movement(valuer) for step in steps]


class _Steps:
    """The steps of one move. The levels are log values in US dollars; None: nothing gives this one.

    `kept`: the old value, by the old price model. `aged`: the same on the new day. `renewed`: the old
    instrument by the new price model on the new day, in the old channel. `fields`: effects of the changed
    fields, None if they are one. `described`: the new instrument, still in the old channel. `now`: the new
    value.
    """

    def __init__(self, old: ValuedState, new: ValuedState) -> None:
        self.old, self.new = old, new
        self.kept: float | None = None
        self.aged: float | None = None
        self.renewed: float | None = None
        self.fields: Sequence[float] | None = None
        self.described = self.now = 0.0
        self.was = old.subject._replace(notes=())
        self.becoming = new.subject._replace(notes=())
        self.describing = self.becoming._replace(channel=self.was.channel)

    @property
    def aging(self) -> Subject:
        """The old instrument on the new day, still in the old channel."""
        return self.was._replace(day=self.new.subject.day)

    def movement(self, valuer: Valuer) -> Movement:
        """Return the move in money."""
        before, rate = self._restated(valuer)
        effects = [*self._on_the_way(), *self._of_fields(), *self._at_the_end(rate)]
        amounts = split_money(self.new.value, before, [e.log for e in effects], self.new.currency)
        parts = tuple(MovePart(e.cause, e.field, amount) for e, amount in zip(effects, amounts, strict=True))
        restated = self.old.currency != self.new.currency
        return Movement(before, self.new.value - before, self.new.currency, restated, parts)

    def _restated(self, valuer: Valuer) -> tuple[Decimal, float]:
        """Return the old value in the new currency, and the rate by which it has it."""
        if self.old.currency == self.new.currency:
            return self.old.value, self.old.rate
        try:
            rate = valuer.rates.usd_per(self.new.currency, self.old.subject.day)
        except RateError:  # The currency is younger than the old value.
            rate = self.new.rate
        log = self._start() if self.kept is None else self.kept
        return money_of(log, rate, self.new.currency), rate

    def _start(self) -> float:
        """Return the old value as it was kept, in log US dollars."""
        return math.log(self.old.value) + math.log(self.old.rate)

    def _on_the_way(self) -> list[_Effect]:
        """Return the effects of day and price model, as far as they can be told."""
        found = []
        at = self._start()
        if self.kept is not None and self.aged is not None:
            if self.old.subject.day != self.new.subject.day:
                found.append(_Effect(Cause.MARKET, None, self.aged - self.kept))
            at = self.aged
        if self.renewed is None or (self.kept is not None and self.old.version == self.new.version):
            return found
        cause = Cause.MARKET_AND_PRICE_MODEL if self.kept is None else Cause.PRICE_MODEL
        return [*found, _Effect(cause, None, self.renewed - at)]

    def _of_fields(self) -> list[_Effect]:
        if self.fields is None:
            reached = next(x for x in (self.renewed, self.aged, self._start()) if x is not None)
            return [_Effect(Cause.INSTRUMENT, None, self.described - reached)]
        rows = zip(FIELDS, self.was.instrument, self.becoming.instrument, self.fields, strict=False)
        return [_Effect(Cause.FIELD, field.path, log) for field, a, b, log in rows if a != b or log]

    def _at_the_end(self, rate: float) -> list[_Effect]:
        found = []
        if self.old.subject.channel != self.new.subject.channel:
            found.append(_Effect(Cause.CHANNEL, None, self.now - self.described))
        if rate != self.new.rate:
            found.append(_Effect(Cause.EXCHANGE_RATE, None, math.log(rate / self.new.rate)))
        return found


def _by_old_model(steps: Sequence[_Steps], valuer: Valuer) -> None:
    """Set the levels that the old price model gives, where it still gives the very value that was kept."""
    able = [step for step in steps if _canonical(step, valuer)]
    level = _levels(valuer.model, [s for step in able for s in (step.was, step.aging)])
    for step in able:
        if money_of(level[step.was], step.old.rate, step.old.currency) == step.old.value:
            step.kept, step.aged = level[step.was], level[step.aging]


def _by_new_model(steps: Sequence[_Steps], valuer: Valuer) -> None:
    """Set the levels that the new price model gives, and its effects of the changed fields."""
    able = [step for step in steps if _canonical(step, valuer)]
    told = [s for step in steps for s in (step.describing, step.becoming)]
    model = valuer.model
    level = _levels(model, [*told, *(step.aging for step in able)])
    for step in steps:
        step.described, step.now = level[step.describing], level[step.becoming]
    for step in able:
        step.renewed = level[step.aging]
    alike = [step for step in able if _named(step.aging) == _named(step.becoming)]
    changed = [step for step in alike if step.aging != step.describing]
    for step in alike:
        step.fields = ()
    if changed:
        effects = model.effects([step.describing for step in changed], [step.aging for step in changed])
        for step, own in zip(changed, effects.tolist(), strict=True):
            step.fields = own


def _levels(model: PriceModel, subjects: Sequence[Subject]) -> Mapping[Subject, float]:
    """Return the log value of each subject; equal ones are valued once."""
    unique = list(dict.fromkeys(subjects))
    return dict(zip(unique, model.center(unique).tolist(), strict=True))


def _named(subject: Subject) -> tuple[str, str]:
    return subject.instrument.maker, subject.instrument.model


def _canonical(step: _Steps, valuer: Valuer) -> bool:
    """Spell the old instrument as this catalogue does; return False if it does not know it."""
    try:
        step.was = valuer.canonical(step.was)
    except UnknownNameError:
        return False
    return True
