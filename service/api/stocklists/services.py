"""Value a stock list and stream the answer, with one bundle from the first row to the last."""

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
from service.server.threads.turns import VALUING

_FORMS: dict[str, type[CsvForm] | type[NdjsonForm]] = {CSV: CsvForm, NDJSON: NdjsonForm}
_log = structlog.get_logger()


def open_list(form: str, lines: Iterable[bytes], valuer: Valuer, terms: Terms) -> CsvForm | NdjsonForm:
    """Open the stock list in these lines. Raises TableError for a header that cannot be used."""
    return _FORMS[form](lines, valuer, terms)


def begun(found: CsvForm | NdjsonForm) -> Iterator[Answered]:
    """Return the list's answers, the first already made, so that an early failure can become a problem."""
    answers = found.answers()
    return chain(list(islice(answers, 1)), answers)


def _in_turn(answers: Iterable[Answered]) -> Iterator[Answered]:
    left = iter(answers)
    while True:
        with VALUING:  # many at once would keep the interpreter from every short request
            answered = next(left, None)
        if answered is None:
            return
        yield answered


def stream(answers: Iterable[Answered]) -> Iterator[bytes]:
    """Yield the text of the answers; at the end, or when the reader goes away, log the number of values.

    Raises BrokenStreamError for a failure that is not a row's fault; the answer is then cut short.
    """
    figures, valued, failed = context().figures, 0, 0
    ended, began = False, time.perf_counter()
    try:
        for answered in _in_turn(answers):
            for word, count in Counter(answered.words).items():
                figures.valued(word, count)
            valued, failed = valued + len(answered.words), failed + answered.failed
            yield answered.text
        ended = True
    except Exception as error:
        log_failure(error)
        # The cause is hidden: its text could hold private data of a row, and the server would log it.
        raise BrokenStreamError("A stock list could not be answered to its end.") from None
    finally:
        ms = round((time.perf_counter() - began) * 1000, 2)
        _log.info("stock list", request_id=g.request_id, valued=valued, failed=failed, ended=ended, ms=ms)
