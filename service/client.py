"""A client of the service, in one file that can be copied: it needs httpx and nothing else of this project.

    with Client("https://values.example", key) as client:
        made = client.value({"maker": "…", "model": "…"}, currency="EUR")
        for page in client.pages("/v1/evidence", kind="sale"): ...
        for row in client.value_all({"id": "A1", "instrument": {...}} for ...): ...

What failed on the way is tried again where that can do no harm: what only reads, what nothing was sent of,
and every POST, since all tries of one carry one Idempotency-Key. A wait that the service asks for is kept.

ClientError
├── ProblemError       the service said what is wrong (RFC 9457)
├── UnreachableError   there was no answer, or none to its end, however often it was asked
└── ChangedError       the price model changed while a list that had broken off was asked for again
"""

from __future__ import annotations

import json
import random
import time
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from email.utils import parsedate_to_datetime
from functools import partial
from itertools import islice
from typing import Any, BinaryIO, TypedDict
from urllib.parse import unquote

import httpx

Json = dict[str, Any]
Query = Mapping[str, str | int | None]
_LATER = (429, 502, 503, 504)  # the next try can end otherwise
_NOT_DONE = (429, 503)  # and the last one did nothing
_IN_FLIGHT = "in-flight"  # the try before is still at work
_UNSENT = (httpx.ConnectError, httpx.ConnectTimeout, httpx.PoolTimeout)
_REPEATABLE = ("GET", "HEAD", "POST")  # a POST carries its key
_FIRST_WAIT, _LONGEST_WAIT, _PATIENCE = 0.2, 10.0, 60.0  # seconds; the last: what the service may ask for
CSV, NDJSON, LISTS = "text/csv", "application/x-ndjson", "/v1/stocklists"


class ClientError(Exception):
    """The root: catching it catches all that this client raises on purpose."""


class UnreachableError(ClientError):
    """There was no answer, or none to its end, however often it was asked."""


class ChangedError(ClientError):
    """The price model changed while a list that had broken off was asked for again."""


class Fault(TypedDict):
    """One thing wrong with one field: where, what, and what to do. `pointer`: None where not in the body."""

    pointer: str | None
    field: str
    value: object
    problem: str
    allowed: str
    next_step: str
    suggestions: list[str]


class ProblemError(ClientError):
    """The service said what is wrong. `kind`: the name that its documentation explains it under."""

    def __init__(self, status: int, body: Mapping[str, Any]) -> None:
        self.status = status
        self.kind = str(body.get("type", "")).rpartition("#problem-")[2]
        self.title = str(body.get("title", f"HTTP {status}"))
        self.detail = str(body.get("detail", ""))
        self.request_id: str | None = body.get("request_id")
        self.faults: list[Fault] = body.get("errors", [])
        texts = [self.title, self.detail, *(f"{one['field']}: {one['problem']}" for one in self.faults)]
        super().__init__(": ".join(text.rstrip(".") for text in texts if text))


@dataclass
class Lines:
    """The lines of an answer that is streamed, without their ends; what stands beside them once it began."""

    _lines: Callable[[Lines], Iterator[str]] = field(repr=False)
    model_version: str | None = None
    ignored: tuple[str, ...] = ()
    provisional: bool = False

    def __iter__(self) -> Iterator[str]:
        return self._lines(self)

    def begin(self, headers: httpx.Headers, again: bool) -> None:
        """Take what the headers say. Raises ChangedError if lines were read that another price model made."""
        version = headers.get("Model-Version")
        if again and version != self.model_version:
            raise ChangedError(
                f"The price model changed from {self.model_version} to {version}: begin again."
            )
        self.provisional = headers.get("Model-Provisional") == "true"
        named = headers.get("Ignored-Columns", "")
        self.model_version, self.ignored = version, tuple(map(unquote, filter(None, named.split(", "))))


class Client:
    """One service, asked with one key. It can be shared between threads.

    `attempts`: tries of one call; `options`: of httpx.Client, such as timeout, verify and proxy.
    """

    def __init__(self, url: str, key: str, *, attempts: int = 5, **options: Any) -> None:
        headers = {"Authorization": f"Bearer {key}", "User-Agent": "bookmatch-client/1"}
        self._http = httpx.Client(base_url=url, headers=headers, **{"timeout": 60, **options})
        self._attempts = attempts

    def __enter__(self) -> Client:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the connections."""
        self._http.close()

    # ── one call ─────────────────────────────────────────────────────────────

    def value(self, instrument: Json, *, include: Sequence[str] = (), **more: Any) -> Json:
        """POST /v1/valuations: kept. `more`: date, channel, currency, levels."""
        query = {"include": ",".join(include) or None}
        return self._made("/v1/valuations", {"instrument": instrument, **more}, query)

    def intervals(self, instrument: Json, **more: Any) -> Json:
        """POST /v1/intervals: the value and its ranges; nothing is kept."""
        return self._made("/v1/intervals", {"instrument": instrument, **more})

    def attributions(self, instrument: Json, **more: Any) -> Json:
        """POST /v1/attributions: the value, its ranges and its reasons; nothing is kept."""
        return self._made("/v1/attributions", {"instrument": instrument, **more})

    def call(
        self, method: str, path: str, query: Query | None = None, body: Any = None, **headers: str
    ) -> httpx.Response:
        """Any request, tried. `body`: bytes as they are, anything else as JSON. Raises ClientError."""
        if method == "POST":
            headers.setdefault("Idempotency-Key", str(uuid.uuid4()))
        if body is not None and not isinstance(body, bytes):
            headers.setdefault("Content-Type", "application/json")
            body = json.dumps(body, default=str).encode()
        # None, not empty: that would take away the query that a link has.
        params = {name: value for name, value in (query or {}).items() if value is not None} or None
        request = self._http.build_request(method, path, params=params, content=body, headers=headers)
        return self._tried(lambda: self._http.send(request), method in _REPEATABLE)

    def pages(self, path: str, **query: str | int | None) -> Iterator[Json]:
        """The pages of a list, one after the other, as long as a Link leads on (RFC 8288)."""
        found = self.call("GET", path, query=query)
        while True:
            yield found.json()
            link = found.links.get("next")
            if link is None:
                return
            further = found.url.join(link["url"])
            if further.netloc != found.url.netloc:
                raise ClientError(f"A page leads on to {further.host}, which gets no key of ours.")
            found = self.call("GET", str(further))

    def _made(self, path: str, body: Json, query: Query | None = None) -> Json:
        given = {name: value for name, value in body.items() if value is not None}
        made: Json = self.call("POST", path, query=query, body=given).json()
        return made

    # ── lists ────────────────────────────────────────────────────────────────

    def value_all(self, rows: Iterable[Json], *, batch: int = 1000, **terms: Any) -> Iterator[Json]:
        """POST /v1/stocklists, `batch` rows at a time: the values of each row, or its errors, in order.

        A row has `id` and `instrument`, and may have `date` and `channel`; `terms` as of `value_csv`. Lines
        are counted from the first row of all. The price model can change between batches.
        """
        left, before = iter(rows), 0
        query = _terms(**terms)
        while some := list(islice(left, batch)):
            body = b"".join(json.dumps(row, default=str).encode() + b"\n" for row in some)
            found = [json.loads(line) for line in self._streamed(partial(iter, (body,)), NDJSON, query)]
            if len(found) != len(some):
                raise UnreachableError(f"{len(some)} rows were sent and {len(found)} answered.")
            yield from ({**one, "line": before + one["line"]} for one in found)
            before += len(some)

    def value_csv(self, table: BinaryIO, **terms: Any) -> Lines:
        """POST /v1/stocklists of a CSV file that can be read again: its values by line, the header first.

        `terms`: levels, date, channel, currency. One model makes all of the values.
        """

        def content() -> Iterator[bytes]:
            table.seek(0)
            while piece := table.read(65536):
                yield piece

        return self._streamed(content, CSV, _terms(**terms))

    def _streamed(self, content: Callable[[], Iterator[bytes]], form: str, query: Query) -> Lines:
        def send() -> httpx.Response:
            headers = {"Content-Type": form}
            request = self._http.build_request(
                "POST", LISTS, params=query, content=content(), headers=headers
            )
            return self._http.send(request, stream=True)

        def lines(beside: Lines) -> Iterator[str]:
            done = failures = 0
            while True:
                try:
                    with closing(self._tried(send, repeatable=True)) as response:
                        beside.begin(response.headers, again=done > 0)
                        for line in islice(_split(response.iter_bytes()), done, None):
                            done, failures = done + 1, 0
                            yield line
                    return
                except httpx.TransportError as error:  # what was answered before is answered alike again
                    failures += 1
                    if failures >= self._attempts:
                        raise _unreachable(error) from error
                    time.sleep(_backoff(failures))

        return Lines(lines)

    # ── tries ────────────────────────────────────────────────────────────────

    def _tried(self, send: Callable[[], httpx.Response], repeatable: bool) -> httpx.Response:
        attempt = 0
        while True:
            attempt += 1
            try:
                response = send()
                if response.is_success:
                    return response
                failure, again, wait = self._refused(response, repeatable)
            except httpx.TransportError as error:
                failure, again, wait = _unreachable(error), repeatable or isinstance(error, _UNSENT), 0.0
            if not again or attempt >= self._attempts or wait > _PATIENCE:
                raise failure
            time.sleep(max(wait, _backoff(attempt)))

    @staticmethod
    def _refused(response: httpx.Response, repeatable: bool) -> tuple[ClientError, bool, float]:
        """Read a refusal: its error, whether to try again, and the seconds that the service asks to wait."""
        response.read()
        try:
            body = response.json()
        except ValueError:
            body = {}
        failure = ProblemError(response.status_code, body if isinstance(body, dict) else {})
        later = response.status_code in _LATER or failure.kind == _IN_FLIGHT
        again = later and (repeatable or response.status_code in _NOT_DONE)
        return failure, again, _asked_wait(response.headers.get("Retry-After", ""))


def _unreachable(error: httpx.TransportError) -> UnreachableError:
    return UnreachableError(f"The service did not answer to the end: {type(error).__name__}: {error}")


def _backoff(attempt: int) -> float:
    """Seconds at random, of a span that doubles: callers that failed together do not come back together."""
    return random.uniform(0, min(_LONGEST_WAIT, _FIRST_WAIT * 2**attempt))


def _asked_wait(text: str) -> float:
    """Seconds that a Retry-After asks for, as a number or as a day and time."""
    if text.isdigit():
        return float(text)
    try:
        return max(0.0, (parsedate_to_datetime(text) - datetime.now(UTC)).total_seconds())
    except (TypeError, ValueError):
        return 0.0


def _terms(
    levels: Sequence[float] = (), date: date | str = "", channel: str = "", currency: str = ""
) -> Query:
    # The day is fixed here: a list that breaks off at midnight must not end on another than it began.
    day = date or datetime.now(UTC).date()
    asked = {"levels": ",".join(map(str, levels)), "date": str(day), "channel": channel, "currency": currency}
    return {name: value for name, value in asked.items() if value}


def _split(pieces: Iterable[bytes]) -> Iterator[str]:
    """Lines by their line feed alone: others of Unicode's line ends can stand inside a text."""
    left = b""
    for piece in pieces:
        *lines, left = (left + piece).split(b"\n")
        yield from (line.decode() for line in lines)
    if left:
        yield left.decode()
