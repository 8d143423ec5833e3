"""The actors of the fault-injection test: callers that check every answer, an operator, a killer."""

from __future__ import annotations

import itertools
import math
import os
import random
import signal
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import httpx
from ground import GRADES, Ground
from running import Running


class Answer(NamedTuple):
    """One answer that was whole: what was asked, when (seconds), the status, the version that it states."""

    asked: str
    began: float
    ended: float
    status: int
    version: str | None


@dataclass
class Tally:
    """The answers, broken connections and problems that the actors counted."""

    answers: list[Answer] = field(default_factory=list)
    made: dict[str, bytes] = field(default_factory=dict)  # every 201: id → body
    wrong: list[str] = field(default_factory=list)  # answers that must never be given
    broken: list[tuple[float, str]] = field(default_factory=list)  # connections that ended without an answer
    refused: list[tuple[float, str]] = field(default_factory=list)  # problems, by when they came
    names: set[str] = field(default_factory=set)  # Idempotency-Keys that were answered 201
    bodies: dict[tuple[str, int], bytes] = field(
        default_factory=dict
    )  # what keeps no record is always the same
    kills: list[float] = field(default_factory=list)
    changes: list[tuple[float, float, str]] = field(
        default_factory=list
    )  # begun, answered, what is current now

    def met(self, since: int = 0) -> set[str | None]:
        """Versions that valued something, from the answer of that number on; records say what was."""
        return {answer.version for answer in self.answers[since:] if not answer.asked.startswith("GET")}


class Caller(threading.Thread):
    """Asks without a pause on one connection; a valuation without an answer is asked again under its name."""

    def __init__(self, service: Running, ground: Ground, tally: Tally, seed: int) -> None:
        super().__init__()
        self._service, self._ground, self._tally, self._seed = service, ground, tally, seed
        self._random = random.Random(seed)
        self._counted = itertools.count()
        self._open: tuple[str, int] | None = None  # the name and grade of a valuation that has no answer yet
        self.stopped = threading.Event()

    def run(self) -> None:
        limits = httpx.Limits(max_connections=1, max_keepalive_connections=1)
        with httpx.Client(
            base_url=self._service.url, headers=self._service.headers, timeout=30, limits=limits
        ) as client:
            end = math.inf
            while not self.stopped.is_set() or (self._open and time.monotonic() < end):
                if self.stopped.is_set() and end == math.inf:
                    end = time.monotonic() + 15
                self._step(client)

    def _step(self, client: httpx.Client) -> None:
        grade, draw = self._random.choice(GRADES), self._random.random()
        if self._open or draw < 0.5:
            name, grade = self._open or (f"{self._seed}-{next(self._counted)}", grade)
            self._open = (name, grade)
            found = self._ask(client, "POST", "/v1/valuations", grade, {"Idempotency-Key": name})
            if found is not None and found.status_code == 201:
                self._tally.made[found.json()["id"]] = found.content
                self._tally.names.add(name)
                self._open = None
        elif draw < 0.85 or not self._tally.made:
            self._ask(client, "POST", "/v1/attributions", grade, {})
        else:
            self._read_again(client)

    def _ask(
        self, client: httpx.Client, method: str, path: str, grade: int | None, headers: Mapping[str, str]
    ) -> httpx.Response | None:
        body = self._ground.ask(grade) if grade is not None else None
        began = time.monotonic()
        try:
            found = client.request(method, path, json=body, headers=headers)
        except httpx.TransportError as error:
            self._tally.broken.append((time.monotonic(), type(error).__name__))
            return None
        self._note(found, f"{method} {path.split('/')[2]}", began, grade)
        return found

    def _note(self, found: httpx.Response, asked: str, began: float, grade: int | None) -> None:
        told, ended = found.json(), time.monotonic()
        version = told.get("model_version")
        self._tally.answers.append(Answer(asked, began, ended, found.status_code, version))
        if found.status_code in (200, 201):
            if grade is not None and told["value"] != self._ground.values.get((version, grade)):
                self._tally.wrong.append(f"{asked}: {told['value']} of {version} at grade {grade}")
            if asked.endswith("attributions"):
                first = self._tally.bodies.setdefault((version, grade or 0), found.content)
                if first != found.content:
                    self._tally.wrong.append(f"{asked}: another body of {version} at grade {grade}")
            return
        clean = found.headers["Content-Type"] == "application/problem+json" and told["type"].startswith(
            "/docs#"
        )
        if found.status_code != 503 or not clean or int(found.headers.get("Retry-After", 0)) < 1:
            self._tally.wrong.append(f"{asked}: {found.status_code} {found.text[:200]}")
        self._tally.refused.append((ended, told.get("type", "")))
        time.sleep(0.05)  # told to come back later, it does not insist as fast as it can

    def _read_again(self, client: httpx.Client) -> None:
        # A copy, for the others go on adding to it.
        id_, body = self._random.choice(list(self._tally.made.copy().items())[-50:])
        found = self._ask(client, "GET", f"/v1/valuations/{id_}", None, {})
        if found is not None and found.status_code == 200 and found.content != body:
            self._tally.wrong.append(f"{id_} was answered otherwise when it was made")


class Operator(threading.Thread):
    """Promotes one model after the other over HTTP, and rolls each back again."""

    def __init__(self, service: Running, key: str, models: Sequence[str], tally: Tally, every: float) -> None:
        super().__init__()
        self._service, self._key, self._models, self._tally, self._every = service, key, models, tally, every
        self.failures: list[str] = []

    def run(self) -> None:
        first, *others = self._models[0], *self._models[1:]
        for model in others:
            for name, current in (("promote", model), ("rollback", first)):
                due = time.monotonic() + self._every
                before = len(self._tally.answers)
                self._change(f"/v1/price-models/{model}/{name}", current)
                self._wait_until_met(current, before)
                time.sleep(max(0.0, due - time.monotonic()))

    def _wait_until_met(self, current: str, since: int) -> None:
        """Leave the model until a caller has met it: while the database is away, none may for seconds."""
        end = time.monotonic() + 30
        while current not in self._tally.met(since):
            if time.monotonic() > end:
                self.failures.append(f"no caller met {current}")
                return
            time.sleep(0.01)

    def _change(self, path: str, current: str) -> None:
        began, headers = time.monotonic(), {"Authorization": f"Bearer {self._key}"}
        while time.monotonic() < began + 30:
            try:
                url = f"{self._service.url}{path}"
                reason = {
                    "why": "fault injection",
                    **({"who": "us", "force": True} if "promote" in path else {}),
                }
                found = httpx.post(url, json=reason, headers=headers, timeout=30, verify=False)
            except httpx.TransportError:  # the worker died under it: asked again, it is done once
                continue
            told: dict[str, Any] = found.json()
            if found.status_code == 200 and told["version"] == told["serving"] == current:
                self._tally.changes.append((began, time.monotonic(), current))
                return
            if found.status_code != 503:
                break
            time.sleep(0.1)
        self.failures.append(f"{path}: {found.status_code} {found.text[:200]}")


class Killer(threading.Thread):
    """Kills one worker every so often, without a word."""

    def __init__(self, service: Running, tally: Tally, every: float) -> None:
        super().__init__()
        self._service, self._tally, self._every = service, tally, every
        self._random = random.Random(0)
        self.stopped = threading.Event()

    def run(self) -> None:
        while not self.stopped.wait(self._every):
            worker = self._random.choice(self._service.workers())
            self._tally.kills.append(time.monotonic())
            os.kill(worker, signal.SIGKILL)
