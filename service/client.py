"""A client of the service, in one file that can be copied: it needs httpx and nothing else of this project.

    with Client("https://values.example", key) as client:
        made = client.value({"maker": "…", "model": "…"}, currency="EUR")
        for page in client.pages("/v1/evidence", kind="sale"): ...
        for row in client.value_all({"id": "A1", "instrument": {...}} for ...): ...

A request that failed on the way is tried again where that does no harm: if it only reads, if none of it was
sent, or if it is a POST, whose tries all carry one Idempotency-Key. The client waits as the service asks.

ClientError
├── ProblemError       the service said what is wrong (RFC 9457)
├── UnreachableError   no try got a whole answer
└── ChangedError       the price model changed before a list that had broken off was continued
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
_LATER = (429, 502, 503, 504)  # statuses after which a later try can succeed
_NOT_DONE = (429, 503)  # statuses that say as well that the request changed nothing
_IN_FLIGHT = "in-flight"  # the kind of problem where an earlier try has not ended yet
_UNSENT = (httpx.ConnectError, httpx.ConnectTimeout, httpx.PoolTimeout)
_REPEATABLE = ("GET", "HEAD", "POST")  # a POST carries an Idempotency-Key
_FIRST_WAIT, _LONGEST_WAIT, _PATIENCE = 0.2, 10.0, 60.0  # seconds; `_PATIENCE`: longest Retry-After heeded
CSV, NDJSON, LISTS = "text/csv", "application/x-ndjson", "/v1/stocklists"


class ClientError(Exception):
    """The base class of every error that this client raises on purpose."""


class UnreachableError(ClientError):
    """No try of the request got a whole answer."""


class ChangedError(ClientError):
    """The price model changed before a list that had broken off could be continued."""


class Fault(TypedDict):
    """One fault of one field, with a next step. `pointer`: its place in the body, None for one outside it."""

    pointer: str | None
    field: str
    value: object
    problem: str
    allowed: str
    next_step: str
    suggestions: list[str]


class ProblemError(ClientError):
    """The service answered with a problem document. `kind`: the problem's name in the documentation."""

    def __init__(self, status: int, body: Mapping[str, Any]) -> None:
        self.status = status
        self.kind = str(body.get("type", "")).rpartition("#problem-")[2]
        self.title = str(body.get("title", f"HTTP {status}"))
        self.detail = str(body.get("detail", ""))
        self.request_id: str | None = body.get("request_id")
        self.faults: list[Fault] = body.get("errors", [])
        told = (f"{one['field']}: {one['problem']}; {one['next_step']}" for one in self.faults)
        super().__init__(": ".join(text.rstrip(".; ") for text in (self.title, self.detail, *told) if text))


@dataclass
class Lines:
    """The lines of a streamed answer, without line ends. The other attributes are set with the first line."""

    _lines: Callable[[Lines], Iterator[str]] = field(repr=False)
    model_version: str | None = None
    ignored: tuple[str, ...] = ()
    provisional: bool = False

    def __iter__(self) -> Iterator[str]:
        return self._lines(self)

    def begin(self, headers: httpx.Headers, again: bool) -> None:
        """Read the headers. Raises ChangedError if another price model made the lines read so far."""
        version = headers.get("Model-Version")
        if again and version != self.model_version:
            raise ChangedError(
                f"The price model changed from {self.model_version} to {version}: begin again."
            )
        self.provisional = headers.get("Model-Provisional") == "true"
        named = headers.get("Ignored-Columns", "")
        self.model_version, self.ignored = version, tuple(map(unquote, filter(None, named.split(", "))))


class Client:
    """A client of one service with one key. Threads can share it.

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
        """Close the connections."""
        self._http.close()

    # ── one call ─────────────────────────────────────────────────────────────

    def value(self, instrument: Json, *, include: Sequence[str] = (), **more: Any) -> Json:
        """POST /v1/valuations: value an instrument and keep it. `more`: date, channel, currency, levels."""
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
        """Send any request, with tries. `body`: bytes as they are, all else as JSON. Raises ClientError."""
        if method == "POST":
            headers.setdefault("Idempotency-Key", str(uuid.uuid4()))
        if body is not None and not isinstance(body, bytes):
            headers.setdefault("Content-Type", "application/json")
            body = json.dumps(body, default=str).encode()
        # Without parameters this must be None: an empty mapping would remove the query of a link.
        params = {name: value for name, value in (query or {}).items() if value is not None} or None
        request = self._http.build_request(method, path, params=params, content=body, headers=headers)
        return self._tried(lambda: self._http.send(request), method in _REPEATABLE)

    def pages(self, path: str, **query: str | int | None) -> Iterator[Json]:
        """Yield the pages of a list in order, following the header Link to the next one (RFC 8288)."""
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
        """POST /v1/stocklists, `batch` rows at a time; yield each row's values, or its errors, in order.

        A row has `id` and `instrument`, and may have `date` and `channel`. `terms`: as in `value_csv`. Lines
        are counted from the first row of all batches. The price model can change between batches.
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
        """POST /v1/stocklists of a seekable CSV file; return the lines of its values, the header first.

        `terms`: levels, date, channel, currency. One price model makes all of the values.
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
                except httpx.TransportError as error:  # a new try is answered with the same lines first
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
        """Return a refusal's error, whether to try again, and the seconds that the service asks to wait."""
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
    """Draw a wait in seconds from a span that doubles, so that callers do not all try again at once."""
    return random.uniform(0, min(_LONGEST_WAIT, _FIRST_WAIT * 2**attempt))


def _asked_wait(text: str) -> float:
    """Return the seconds to wait by a Retry-After header, which is a number or a date; 0 if unreadable."""
    if text.isdigit():
        return float(text)
    try:
        return max(0.0, (parsedate_to_datetime(text) - datetime.now(UTC)).total_seconds())
    except (TypeError, ValueError):
        return 0.0


def _terms(
    levels: Sequence[float] = (), date: date | str = "", channel: str = "", currency: str = ""
) -> Query:
    # The day is fixed here, so that a list that breaks off at midnight is continued for the same day.
    day = date or datetime.now(UTC).date()
    asked = {"levels": ",".join(map(str, levels)), "date": str(day), "channel": channel, "currency": currency}
    return {name: value for name, value in asked.items() if value}


def _split(pieces: Iterable[bytes]) -> Iterator[str]:
    """Split bytes into lines at line feeds only, because a text can hold Unicode's other line ends."""
    left = b""
    for piece in pieces:
        *lines, left = (left + piece).split(b"\n")
        yield from (line.decode() for line in lines)
    if left:
        yield left.decode()
