"""Load a kept valuation with the bundle that made it, so that more answers about it can be made."""

from __future__ import annotations

from datetime import date
from typing import Any

import orjson
from flask import g

from models.domain.instrument import Instrument, Subject
from service.api.parts.case import Case
from service.api.valuations import records
from service.api.values.services import ValuationRequest
from service.context import context, use_bundle
from service.db.engine import reading


def kept_case(valuation_id: str) -> Case:
    """Return the case of a kept valuation and its bundle. Raises UnknownRecordError, BundleGoneError."""
    with reading(context().engine) as connection:
        answer = orjson.loads(records.find(connection, valuation_id, g.caller))
    return Case(_asked(answer), use_bundle(answer["model_version"]).valuer)


def _asked(answer: dict[str, Any]) -> ValuationRequest:
    # The answer is read and not the request, because it has the day, market, currency and levels used.
    it = Instrument.from_nested(answer["instrument"])
    subject = Subject(it, date.fromisoformat(answer["date"]), answer["channel"])
    return ValuationRequest(
        subject, answer["currency"], tuple(interval["level"] for interval in answer["intervals"])
    )
