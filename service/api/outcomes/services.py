"""Record the sale of a valued instrument as the outcome of its valuation.

The sale itself is a record of evidence: a new one with the id of the valuation, or one that exists already.
So a sale is counted as evidence once, and is corrected in one place.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from decimal import Decimal
from types import SimpleNamespace
from typing import Any, NamedTuple

import orjson
from flask import g
from sqlalchemy import Connection

from models.domain.evidence import Evidence
from models.domain.names import normal
from models.errors import Fault, InputError
from models.tables.evidence_columns import WARNINGS, WITHDRAWN, from_row
from models.valuation.plausibility import GivenRange, RecordWarning, outcome_warnings
from service.api.evidence import records as evidence
from service.api.evidence.reading import prepared, read
from service.api.evidence.records import Mark, Prepared, Row
from service.api.evidence.services import mark
from service.api.outcomes import records
from service.api.outcomes.schemas import dump_outcome
from service.api.valuations import records as valuations
from service.context import bundle, context
from service.db.engine import reading, writing
from service.errors import DuplicateError, FaultyRequestError, UnknownRecordError
from service.faults import with_pointers
from service.http.hooks.conditional import check_unchanged

SOURCE = "outcome of a valuation"
_RELINKED = "the sale is another record"
Answer = dict[str, Any]  # an answer as JSON: that of a valuation, or that of its outcome


class ValuationOutcome(NamedTuple):
    """A valuation's answer, the record of its sale, and the row that links them."""

    valued: SimpleNamespace
    sale: SimpleNamespace
    link: SimpleNamespace


class Recorded(NamedTuple):
    """The answer with an outcome, its path, and whether the outcome is the valuation's first."""

    answer: Answer
    path: str
    new: bool


def show(valuation_id: str) -> Answer:
    """Return the outcome. Raises UnknownRecordError for an unknown valuation, or one without an outcome."""
    with reading(context().engine) as connection:
        valued = _valuation(connection, valuation_id)
        return _answer(connection, valued, _found(connection, valuation_id))


def record(valuation_id: str, sold: Mapping[str, Any]) -> Recorded:
    """Record or correct the outcome; its sale becomes a record of evidence.

    Raises UnknownRecordError, FaultyRequestError, DuplicateError.
    """
    with reading(context().engine) as connection:
        valued = _valuation(connection, valuation_id)
    sale = _sale(valued, sold)
    new = prepared([sale], [outcome_warnings(sale, _given(valued), bundle().valuer.rates)])[0]

    def keep(connection: Connection, before: records.Row | None, now: Mark) -> str:
        _keep(connection, new, before, now)
        return sale.id

    return _change(valued, keep)


def name(valuation_id: str, record_id: str) -> Recorded:
    """Record or correct the outcome, with the record of evidence that holds its sale already.

    Raises UnknownRecordError, FaultyRequestError.
    """
    with reading(context().engine) as connection:
        valued = _valuation(connection, valuation_id)

    def take(connection: Connection, before: records.Row | None, now: Mark) -> str:
        standing = _checked_record(connection, valued, record_id)
        _warn(connection, valued, standing, now)
        _drop(connection, valuation_id, now._replace(reason=_RELINKED))
        return record_id

    return _change(valued, take)


def _change(valued: Answer, make: Callable[[Connection, records.Row | None, Mark], str]) -> Recorded:
    """Call `make` and link the record whose id it returns as the outcome, in one transaction."""
    valuation_id = valued["id"]
    with writing(context().engine) as connection:
        evidence.take_turn(connection)
        before = records.find(connection, valuation_id, to_change=True)
        check_unchanged(None if before is None else orjson.dumps(_answer(connection, valued, before)))
        now = mark()
        records.link(connection, valuation_id, make(connection, before, now), before, now)
        answer = _answer(connection, valued, _found(connection, valuation_id))
        return Recorded(answer, f"/v1/valuations/{valuation_id}/outcome", before is None)


def remove(valuation_id: str) -> Answer:
    """Remove the outcome and return it; a record of evidence that was made for it is withdrawn.

    Raises UnknownRecordError.
    """
    with writing(context().engine) as connection:
        valued = _valuation(connection, valuation_id)
        standing = _found(connection, valuation_id, to_change=True)
        check_unchanged(orjson.dumps(_answer(connection, valued, standing)))
        _drop(connection, valuation_id, mark("the outcome was removed"))
        answer = _answer(connection, valued, _found(connection, valuation_id))
        records.unlink(connection, valuation_id)
    return answer


def _valuation(connection: Connection, valuation_id: str) -> Answer:
    answer: Answer = orjson.loads(valuations.find(connection, valuation_id, g.caller))
    return answer


def _found(connection: Connection, valuation_id: str, *, to_change: bool = False) -> records.Row:
    row = records.find(connection, valuation_id, to_change=to_change)
    if row is None:
        raise UnknownRecordError("No outcome of this valuation was recorded.")
    return row


def _sale(valued: Answer, sold: Mapping[str, Any]) -> Evidence:
    """Return the sale as a record of evidence; members left out are taken from the valuation."""
    sold = {name: value for name, value in sold.items() if value is not None}
    usual = {"currency": valued["currency"], "channel": valued["channel"], "source": SOURCE}
    own = {"id": valued["id"], "kind": "sale", "instrument": valued["instrument"]}
    try:
        return read({**usual, **sold, **own})
    except InputError as error:
        raise FaultyRequestError(with_pointers(error.faults)) from None


def _given(valued: Answer) -> GivenRange:
    """Return the day and the widest range of a kept valuation."""
    widest = max(valued["intervals"], key=lambda found: found["level"])
    low, high = Decimal(widest["low"]), Decimal(widest["high"])
    return GivenRange(date.fromisoformat(valued["date"]), valued["currency"], low, high)


def _keep(connection: Connection, sale: Prepared, before: records.Row | None, now: Mark) -> None:
    """Store the record made for the outcome: as a new record, a correction, or a withdrawn one used again."""
    if not evidence.add(connection, [sale], now):
        return
    standing = evidence.find(connection, sale.row["id"], to_change=True)
    if before is None and standing[WITHDRAWN] is None:
        raise DuplicateError(f"A record of evidence has the id {standing['id']} of this valuation already.")
    action = "corrected" if standing[WITHDRAWN] is None else "reinstated"
    evidence.replace(connection, [(standing, sale)], action, now)


def _drop(connection: Connection, valuation_id: str, why: Mark) -> None:
    """Withdraw the record that was made for the outcome, if one is in use."""
    standing = evidence.look(connection, valuation_id, to_change=True)
    if standing is not None and standing[WITHDRAWN] is None:
        evidence.withdraw(connection, standing, why)


def _checked_record(connection: Connection, valued: Answer, record_id: str) -> Row:
    """Return the record. Raises FaultyRequestError if it cannot be the sale of the valued instrument."""
    row = evidence.look(connection, record_id, to_change=True) if record_id != valued["id"] else None
    it = valued["instrument"]
    problem = _problem(row, normal(it["maker"]), normal(it["model"]))
    if row is None or problem:
        allowed = "the id of a record in use, of a closed sale of the same model"
        fault = Fault("evidence", record_id, problem, allowed, "see GET /v1/evidence")
        raise FaultyRequestError(with_pointers([fault]))
    return row


def _warn(connection: Connection, valued: Answer, standing: Row, now: Mark) -> None:
    """Add the warnings on a record as the outcome, except those of a kind that it has already."""
    sale = from_row(standing)
    kept = [RecordWarning(**one) for one in orjson.loads(standing[WARNINGS])]
    found = outcome_warnings(sale, _given(valued), bundle().valuer.rates)
    more = [one for one in found if one.code not in {warning.code for warning in kept}]
    if more:
        why = now._replace(reason=f"{SOURCE} {valued['id']}")
        evidence.replace(connection, [(standing, Prepared.of(sale, [*kept, *more]))], "warned", why)


def _problem(row: Row | None, maker: str, model: str) -> str:
    if row is None or row[WITHDRAWN] is not None:
        return "is no record in use"
    if row["kind"] != "sale":
        return "is no closed sale"
    return "" if (row["maker"], row["model"]) == (maker, model) else "is of another model"


def _answer(connection: Connection, valued: Answer, row: records.Row) -> Answer:
    sale = evidence.find(connection, row["evidence_id"])
    return dump_outcome(
        ValuationOutcome(SimpleNamespace(**valued), SimpleNamespace(**sale), SimpleNamespace(**row))
    )
