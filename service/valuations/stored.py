"""A case: what a valuation stands on, new or kept, for all that can be said beside its figures."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Any

import orjson
from flask import g

from models.instrument import Instrument, Subject
from models.valuation import Valuation, Valuer
from service.context import bundle, context, use_bundle
from service.store.base import reading
from service.valuations import records
from service.valuations.rules import ValuationRequest


@dataclass(frozen=True)
class Case:
    """What was asked, and the valuer that answers or answered it. `made`: the valuation, if it is at hand."""

    request: ValuationRequest
    valuer: Valuer
    made: Valuation | None = None

    @cached_property
    def valuation(self) -> Valuation:
        """The valuation: the same figures each time it is made, for the valuer is the same."""
        return self.made or self.valuer.value(
            self.request.subject, self.request.currency, self.request.levels
        )


def new_case(wanted: ValuationRequest, made: Valuation) -> Case:
    """The case of a valuation that this request made."""
    return Case(wanted, bundle().valuer, made)


def kept_case(valuation_id: str) -> Case:
    """A kept valuation with the bundle that made it. Raises UnknownRecordError, BundleGoneError."""
    with reading(context().engine) as connection:
        answer = orjson.loads(records.find(connection, valuation_id, g.caller))
    return Case(_asked(answer), use_bundle(answer["model_version"]).valuer)


def _asked(answer: dict[str, Any]) -> ValuationRequest:
    # The answer says more than the request: the day, market, currency and levels that were taken.
    it = Instrument.from_nested(answer["instrument"])
    subject = Subject(it, date.fromisoformat(answer["date"]), answer["channel"])
    return ValuationRequest(
        subject, answer["currency"], tuple(interval["level"] for interval in answer["intervals"])
    )
