"""A stock list from its rows to its values, by one bundle from its first row to its last."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterable, Iterator
from itertools import chain, islice

import structlog
from flask import g

from models.tables.stocklist import Terms
from models.valuation.valuer import Valuer
from service.api.stocklists.chunks import Answered
from service.api.stocklists.csv_form import CsvForm
from service.api.stocklists.ndjson_form import NdjsonForm
from service.context import context
from service.errors import BrokenStreamError
from service.http.responses import CSV, NDJSON
from service.server.logs import log_failure

_FORMS: dict[str, type[CsvForm] | type[NdjsonForm]] = {CSV: CsvForm, NDJSON: NdjsonForm}
_log = structlog.get_logger()


def open_list(form: str, lines: Iterable[bytes], valuer: Valuer, terms: Terms) -> CsvForm | NdjsonForm:
    """The list that these lines hold. Raises TableError for a header that cannot be used."""
    return _FORMS[form](lines, valuer, terms)


def begun(found: CsvForm | NdjsonForm) -> Iterator[Answered]:
    """Its answers, the first of them made by now: what fails at once can still be said as a problem."""
    answers = found.answers()
    return chain(list(islice(answers, 1)), answers)


def stream(answers: Iterable[Answered]) -> Iterator[bytes]:
    """The answers' text, piece by piece. What was valued is logged when it ends, or its reader goes away.

    Raises BrokenStreamError where something fails that no row can be blamed for: the answer is cut short.
    """
    figures, valued, failed = context().figures, 0, 0
    ended, began = False, time.perf_counter()
    try:
        for answered in answers:
            for word, count in Counter(answered.words).items():
                figures.valued(word, count)
            valued, failed = valued + len(answered.words), failed + answered.failed
            yield answered.text
        ended = True
    except Exception as error:
        log_failure(error)
        # What a library says can hold what a row held, and the server would log it.
        raise BrokenStreamError("A stock list could not be answered to its end.") from None
    finally:
        ms = round((time.perf_counter() - began) * 1000, 2)
        _log.info("stock list", request_id=g.request_id, valued=valued, failed=failed, ended=ended, ms=ms)
