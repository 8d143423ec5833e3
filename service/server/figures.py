"""The metrics of requests and valuations. Each worker writes them to a file; a scrape sums all files.

Labels have few values, none of them sent by a caller: patterns of paths, known methods, kinds of problems.
"""

from __future__ import annotations

import os
from typing import Any, NamedTuple

from prometheus_client import CollectorRegistry, Counter, Histogram, disable_created_metrics
from prometheus_client.multiprocess import MultiProcessCollector

from models.price.interface import EVIDENCE_WORDS
from service.server.figures_folder import FOLDER

_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
_SECONDS = (0.0005, 0.001, 0.002, 0.004, 0.008, 0.016, 0.032, 0.064, 0.128, 0.256, 0.512, 1, 2, 4, 8, 16)

disable_created_metrics()  # type: ignore[no-untyped-call]


class _Answered(NamedTuple):
    count: Any
    seconds: Any


class Figures:
    """The metrics of one process; each object has a registry of its own."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        here: dict[str, Any] = {"registry": self.registry, "namespace": "bookmatch"}
        self._requests = Counter(
            "requests", "Requests that were answered.", ("route", "method", "status"), **here
        )
        self._seconds = Histogram(
            "request_seconds",
            "Seconds from a request to its answer; of a streamed answer, to its beginning.",
            ("route", "method"),
            buckets=_SECONDS,
            **here,
        )
        problems = Counter(
            "problems", "Requests refused or failed, by the kind of problem.", ("kind",), **here
        )
        valued = Counter(
            "valuations", "Instruments valued, by the evidence behind them.", ("evidence",), **here
        )
        self._delivered = Counter(
            "webhook_attempts", "Attempts to deliver an event to a webhook, by their end.", ("end",), **here
        )
        self._problems, self._known_problems = problems, dict[str, Any]()
        self._valued = {word: valued.labels(word) for word in EVIDENCE_WORDS}
        # Finding a metric by its labels costs more than counting, so each is looked up once.
        self._known = dict[tuple[str, str, int], _Answered]()

    def answered(self, route: str, method: str, status: int, seconds: float, problem: str | None) -> None:
        """Count an answered request. `route`: the pattern of its path, "" for an unknown path."""
        known = self._known.get((route, method, status)) or self._look_up(route, method, status)
        known.count.inc()
        known.seconds.observe(seconds)
        if problem is not None:
            self._of_problem(problem).inc()

    def refused(self, status: int, problem: str) -> None:
        """Count a refusal of input that was not HTTP, and so has neither path nor method."""
        self._look_up("", "", status).count.inc()
        self._of_problem(problem).inc()

    def valued(self, evidence: str, count: int = 1) -> None:
        """Count this many valued instruments, with this word for the evidence behind them."""
        self._valued[evidence].inc(count)

    def delivered(self, end: str) -> None:
        """Count an attempt to deliver an event to a webhook. `end`: one of a few words."""
        self._delivered.labels(end).inc()

    def whole(self) -> CollectorRegistry:
        """Return the metrics of all workers together."""
        if FOLDER not in os.environ:
            return self.registry
        registry = CollectorRegistry()
        MultiProcessCollector(registry)  # type: ignore[no-untyped-call]
        return registry

    def _look_up(self, route: str, method: str, status: int) -> _Answered:
        known = method if method in _METHODS else "other"
        found = _Answered(
            self._requests.labels(route or "none", known, str(status)),
            self._seconds.labels(route or "none", known),
        )
        if known == method:  # callers can invent endless other methods: none is remembered
            self._known[route, method, status] = found
        return found

    def _of_problem(self, kind: str) -> Any:
        found = self._known_problems.get(kind)
        if found is None:
            found = self._known_problems[kind] = self._problems.labels(kind)
        return found
