"""The form on a website, in a real browser: the page is of another origin than the service."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
from fakes import write_fake
from playwright.sync_api import Browser, Page
from running import Running

from models.bundles.registry import Registry

ASK = {"instrument": {"maker": "Ostvik", "model": "Dal"}, "date": "2026-01-02"}
# What a page's script gets to see of an answer; a browser that keeps it back throws instead.
FETCH = """async ([url, key, method, body]) => {
  const headers = {Authorization: `Bearer ${key}`, 'Idempotency-Key': crypto.randomUUID?.() ?? 'one'};
  if (body) headers['Content-Type'] = 'application/json';
  try {
    const found = await fetch(url, {method, headers, body: body ? JSON.stringify(body) : undefined});
    return {status: found.status, body: await found.json(), location: found.headers.get('Location'),
      left: found.headers.get('RateLimit')};
  } catch (error) { return {kept: error.name}; }
}"""


class Blank(BaseHTTPRequestHandler):
    """A website of one empty page."""

    def do_GET(self) -> None:
        self.send_response(200)
        self.send_header("Content-Type", "text/html")
        self.end_headers()
        self.wfile.write(b"<!doctype html><link rel=icon href=data:,><title>Form</title>")

    def log_message(self, *_: Any) -> None:
        """Say nothing."""


@pytest.fixture(scope="module")
def sites() -> Iterator[list[str]]:
    servers = [ThreadingHTTPServer(("127.0.0.1", 0), Blank) for _ in range(2)]
    for server in servers:
        threading.Thread(target=server.serve_forever, daemon=True).start()
    yield [f"http://127.0.0.1:{server.server_port}" for server in servers]
    for server in servers:
        server.shutdown()
        server.server_close()


@dataclass
class Form:
    """A page of a website, and the service that its scripts ask."""

    page: Page
    url: str
    website: str
    secret: str

    def fetch(self, path: str, key: str | None = None, body: Any = None) -> dict[str, Any]:
        asked = [self.url + path, key or self.website, "POST" if body else "GET", body]
        found: dict[str, Any] = self.page.evaluate(FETCH, asked)
        return found


@pytest.fixture(scope="module")
def form(browser: Browser, tmp_path_factory: pytest.TempPathFactory, sites: list[str]) -> Iterator[Form]:
    folder: Path = tmp_path_factory.mktemp("service")
    Registry(folder / "store").promote(write_fake(folder / "store"), who="tests", why="to serve")
    with Running(folder, folder / "store") as service:
        key = service.call("keys", "create", "form", "--website", "--origin", sites[0]).strip()
        yield Form(browser.new_page(), service.url, key, service.key)


def test_a_page_of_the_keys_own_origin_gets_all_that_a_form_needs(form: Form, sites: list[str]) -> None:
    form.page.goto(sites[0])
    assert form.fetch("/v1/vocabulary")["status"] == 200
    assert form.fetch("/v1/catalogue/makers")["status"] == 200
    made = form.fetch("/v1/valuations", body=ASK)
    assert (made["status"], made["body"]["value"]) == (201, "2980.96")
    assert '"visitor"' in made["left"]
    assert form.fetch(made["location"])["body"] == made["body"]
    wrong = form.fetch("/v1/valuations", body={"instrument": {"maker": "Ostvik"}})
    assert wrong["status"] == 422 and wrong["body"]["errors"][0]["pointer"] == "#/instrument/model"


def test_it_gets_nothing_else_whatever_its_key(form: Form, sites: list[str]) -> None:
    form.page.goto(sites[0])
    for path, body in (("/v1/intervals", ASK), ("/v1/keys", None)):
        for key in (form.website, form.secret):
            assert form.fetch(path, key, body) == {"kept": "TypeError"}


def test_a_page_of_another_origin_gets_nothing(form: Form, sites: list[str]) -> None:
    form.page.goto(sites[1])
    for key in (form.website, form.secret):
        assert form.fetch("/v1/vocabulary", key) == {"kept": "TypeError"}
        assert form.fetch("/v1/valuations", key, ASK) == {"kept": "TypeError"}
