"""Clients of a scripted service, and of an application."""

from __future__ import annotations

import threading
import time

import httpx
import pytest
from apps import keys_of
from flask import Flask

from service import client as client_module
from service.client import Client


@pytest.fixture
def waits(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The waits between tries, which take no time here."""
    found: list[float] = []
    own, really = threading.get_ident(), time.sleep

    def sleep(seconds: float) -> None:
        # Threads that other tests left behind sleep by the same module: their waits are not the client's.
        found.append(seconds) if threading.get_ident() == own else really(seconds)

    monkeypatch.setattr(client_module.time, "sleep", sleep)
    return found


def scripted(*answers: httpx.Response | type[Exception]) -> tuple[Client, list[httpx.Request]]:
    """A client of a service that gives these answers in turn, and what it was asked."""
    asked: list[httpx.Request] = []

    def handle(request: httpx.Request) -> httpx.Response:
        asked.append(request)
        answer = answers[len(asked) - 1]
        if isinstance(answer, httpx.Response):
            return answer
        raise answer("lost")

    return Client("http://values.test", "bm_key", transport=httpx.MockTransport(handle)), asked


class Lossy(httpx.BaseTransport):
    """Asks the application; the first so many answers are lost on their way."""

    def __init__(self, app: Flask, losses: int = 0) -> None:
        self._app, self.losses = httpx.WSGITransport(app=app), losses

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        # A server tells the application where chunks end; this one has to be told a length.
        whole = {**request.headers, "Content-Length": str(len(request.read()))}
        whole.pop("transfer-encoding", None)
        found = self._app.handle_request(
            httpx.Request(request.method, request.url, headers=whole, content=request.content)
        )
        if self.losses:
            found.read()
            self.losses -= 1
            raise httpx.ReadError("lost")
        return found


def client_of(app: Flask, *scopes: str, losses: int = 0) -> Client:
    key = keys_of(app).create("client", scopes or ("valuations",))[1]
    return Client("http://values.test", key, transport=Lossy(app, losses))
