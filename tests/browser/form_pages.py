"""The form of `docs/website.md` on websites of its own: line, server and policy as shown there."""

from __future__ import annotations

import re
import shlex
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page
from running import Running

ROOT = Path(__file__).parents[2]
FORM = ROOT / "examples" / "website"
DOCUMENT = (ROOT / "docs" / "website.md").read_text(encoding="utf-8")
SCRIPT = re.compile(r"<script .*</script>")


def shown(pattern: str) -> str:
    """Return the text that the document shows between backticks, and once only."""
    (found,) = re.findall(f"`({pattern})`", DOCUMENT)
    return str(found)


@contextmanager
def site(folder: Path) -> Iterator[str]:
    """A website of the folder's `var/website`, served by the document's own command; its origin."""
    words = shlex.split(shown(r"python -m http\.server .*?"))
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = str(probe.getsockname()[1])
    words = [sys.executable, *(port if word == "8080" else word for word in words[1:])]
    server = subprocess.Popen(words, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        _wait(int(port))
        yield f"http://localhost:{port}"
    finally:
        server.terminate()
        server.wait(30)


def _wait(port: int) -> None:
    end = time.monotonic() + 30
    while True:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=5).close()
        except OSError:
            assert time.monotonic() < end, "the website does not answer"
            time.sleep(0.05)
        else:
            return


def publish(service: Running, folder: Path, *origins: str) -> None:
    """Copy the form, and put the line that the command prints in place of the one like it.

    `strict.html` is the same page under the policy that the document names.
    """
    words = [word for origin in origins for word in ("--origin", origin)]
    made = service.done("keys", "create", "form", "--website", *words, "--url", service.url)
    (line,) = SCRIPT.findall(made.stderr)
    target = folder / "var" / "website"
    target.mkdir(parents=True, exist_ok=True)
    page, count = SCRIPT.subn(lambda _: line, (FORM / "form.html").read_text(encoding="utf-8"))
    assert count == 1
    (target / "form.html").write_text(page, encoding="utf-8")
    policy = shown(r"default-src .*?").replace("https://values.example.org", service.url)
    tag = f'<head><meta http-equiv="Content-Security-Policy" content="{policy}">'
    (target / "strict.html").write_text(page.replace("<head>", tag), encoding="utf-8")
    (target / "form.js").write_bytes((FORM / "form.js").read_bytes())


@dataclass
class Visit:
    """A page with the form, what its console said, and the bodies that it sent."""

    page: Page
    console: list[str] = field(default_factory=list)
    sent: list[dict[str, Any]] = field(default_factory=list)

    def tab_to(self, name: str) -> None:
        """Press Tab until the element with this id, or within the group of this id, has the focus."""
        for _ in range(120):
            if self.page.evaluate(
                "id => document.activeElement.id === id || document.activeElement.name === id", name
            ):
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"{name} is not reached by Tab")

    def type_into(self, name: str, text: str) -> None:
        self.tab_to(name)
        if self.page.locator(f"#{name}").evaluate("one => one.tagName") == "INPUT":
            self.page.keyboard.press("Control+A")
        self.page.keyboard.type(text)

    def press(self, key: str, times: int = 1) -> None:
        for _ in range(times):
            self.page.keyboard.press(key)

    def overhang(self) -> int:
        """Return the number of pixels by which the page is wider than its window."""
        found: int = self.page.evaluate(
            "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )
        return found

    def options(self, name: str) -> list[str]:
        return self.page.locator(f"#{name} option").all_inner_texts()


def visit(browser: Browser, origin: str, width: int = 1200, name: str = "form.html") -> Visit:
    """Open the form."""
    found = Visit(browser.new_page(viewport={"width": width, "height": 900}))
    found.page.on("console", lambda message: found.console.append(message.text))
    found.page.on("pageerror", lambda error: found.console.append(f"error: {error}"))
    found.page.on("request", lambda request: _keep(found.sent, request))
    found.page.goto(f"{origin}/{name}", wait_until="networkidle")
    return found


def _keep(sent: list[dict[str, Any]], request: Any) -> None:
    if request.method == "POST":
        sent.append(request.post_data_json)
