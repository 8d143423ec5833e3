"""Keep, show, list and remove terms under their names."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import partial
from typing import Any, NamedTuple
from urllib.parse import quote

import orjson
from flask import g
from sqlalchemy import Connection
from sqlalchemy.exc import IntegrityError

from models.costs import LONGEST_TERMS_NAME, MOST_OFFER_TERMS
from models.decisions.terms import OfferTerms, read_terms, written_terms
from models.domain.names import nearest
from models.errors import Fault
from service.api.offers import records
from service.api.offers.schemas import dump_kept
from service.context import context
from service.db.engine import reading, writing
from service.errors import FaultyRequestError, Located, UnknownRecordError
from service.faults import with_pointers
from service.http.hooks.conditional import check_unchanged
from service.http.pagination import next_link, page_of
from service.texts import text_faults

PATH = "/v1/offer-terms"
Answer = dict[str, Any]


class KeptTerms(NamedTuple):
    """The answer with kept terms, its path, and whether the name is new."""

    answer: Answer
    path: str
    new: bool


def put(name: str, currency: str, terms: OfferTerms) -> KeptTerms:
    """Keep these terms under this name, in place of those that it has. Raises FaultyRequestError."""
    faults = text_faults("name", name, LONGEST_TERMS_NAME, "choose another name")
    if faults:
        raise FaultyRequestError([Located(None, fault) for fault in faults])
    try:
        return _put(name, currency, terms)
    except IntegrityError:  # another request has kept the same new name meanwhile
        return _put(name, currency, terms)


def _put(name: str, currency: str, terms: OfferTerms) -> KeptTerms:
    now = datetime.now(UTC)
    row = {"currency": currency, "terms": orjson.dumps(written_terms(terms)).decode(), "changed": now}
    with writing(context().engine) as connection:
        before = records.find(connection, name, to_change=True)
        check_unchanged(None if before is None else orjson.dumps(dump_kept(before)))
        if before is None:
            _check_room(connection)
            own = {"name": name, "key_id": g.caller.key_id, "created": now, "version": 1}
            records.keep(connection, {**own, **row})
        else:
            records.change(connection, name, row)
        return KeptTerms(dump_kept(records.find(connection, name)), path_of(name), before is None)


def show(name: str) -> Answer:
    """Return the terms of this name. Raises UnknownRecordError."""
    with reading(context().engine) as connection:
        return dump_kept(_found(connection, name))


def remove(name: str) -> Answer:
    """Remove the terms of this name and return them. Raises UnknownRecordError."""
    with writing(context().engine) as connection:
        answer = dump_kept(_found(connection, name, to_change=True))
        check_unchanged(orjson.dumps(answer))
        records.remove(connection, name)
    return answer


def listed(asked: dict[str, Any]) -> tuple[Answer, dict[str, str]]:
    """Return a page of kept terms, and the header with the link to the next one."""
    page = page_of(asked)
    with reading(context().engine) as connection:
        found = records.page(connection, page.after, page.limit + 1)
    shown = found[: page.limit]
    link = next_link(found, page, shown[-1].number if shown else 0)
    return {"offer_terms": [dump_kept(row) for row in shown]}, link


def kept_terms(name: str) -> tuple[OfferTerms, str]:
    """Return the terms of this name and their currency. Raises FaultyRequestError, which names near ones."""
    with reading(context().engine) as connection:
        row = records.find(connection, name)
        known = records.names(connection) if row is None else []
    if row is None:
        near = partial(nearest, name, known)
        step = "see GET /v1/offer-terms for the names, or send terms"
        fault = Fault("terms_name", name, "is no name of kept terms", ", ".join(known[:20]), step, near)
        raise FaultyRequestError(with_pointers([fault]))
    return read_terms(orjson.loads(row.terms), row.currency), row.currency


def path_of(name: str) -> str:
    """Return the path of the terms of this name."""
    return f"{PATH}/{quote(name, safe='')}"


def _found(connection: Connection, name: str, *, to_change: bool = False) -> Any:
    known = not text_faults("name", name, LONGEST_TERMS_NAME, "")
    row = records.find(connection, name, to_change=to_change) if known else None
    if row is None:
        raise UnknownRecordError("No terms are kept under this name.")
    return row


def _check_room(connection: Connection) -> None:
    if records.count(connection) >= MOST_OFFER_TERMS:
        fault = Fault("name", None, "is one name too many", f"at most {MOST_OFFER_TERMS}", "delete another")
        raise FaultyRequestError([Located(None, fault)])
