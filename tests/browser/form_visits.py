"""An owner at the form, in a real browser: what they see, what was asked of whom, and photographs."""

from __future__ import annotations

import io
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx
from axe_playwright_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import Browser, Page, Request
from running import Running

SHOTS = os.environ.get("FORM_SHOTS")  # a folder that keeps the screenshots, to be looked at
OWNER = {"contact.name": "Ronja Eklund", "contact.email": "ronja@example.org"}
UNLIMITED = {
    "BOOKMATCH_LIMIT_VISITOR": "100000",
    "BOOKMATCH_LIMIT_WEBSITE": "100000",
    "BOOKMATCH_LIMIT_VISITOR_REQUESTS": "0",
    "BOOKMATCH_LIMIT_WEBSITE_REQUESTS": "0",
    "BOOKMATCH_LIMIT_UNPROVED_REQUESTS": "0",
}


def photograph(folder: Path, name: str, color: str) -> Path:
    """Write a photograph, with a place in its tags."""
    exif = Image.Exif()
    exif.get_ifd(0x8825)[1] = "N"
    kept = io.BytesIO()
    Image.effect_noise((1200, 900), 40).convert("RGB").save(kept, "JPEG", quality=90, exif=exif)
    tinted = Image.blend(Image.open(kept), Image.new("RGB", (1200, 900), color), 0.6)
    path = folder / f"{name}.jpg"
    tinted.save(path, "JPEG", exif=exif)
    return path


@dataclass
class Visit:
    """A page, and what happened while it was open."""

    page: Page
    url: str
    asked: list[str] = field(default_factory=list)
    finished: list[Request] = field(default_factory=list)
    console: list[str] = field(default_factory=list)

    @property
    def hosts(self) -> set[str]:
        """The hosts that anything was asked of."""
        return {urlsplit(url).netloc for url in self.asked if not url.startswith(("data:", "blob:"))}

    def keep(self, request: Request) -> None:
        """Remember a request whose answer has come."""
        self.finished.append(request)

    def weight(self) -> int:
        """The bytes of all that was loaded, unpacked, without answers of the API and photographs."""
        answers = {one.url: one.response() for one in self.finished if "/v1/" not in one.url}
        return sum(len(one.body()) for one in answers.values() if one)

    def control(self, name: str) -> Any:
        return self.page.locator(f"[id='f-{name.replace('.', '-')}']")

    def fill(self, **fields: str) -> None:
        for name, value in fields.items():
            self.control(name).fill(value)

    def grade(self, name: str, word: str) -> None:
        self.control(name).get_by_label(word, exact=True).check(force=True)

    def text(self, selector: str) -> str:
        return " ".join(self.page.locator(selector).inner_text().split())

    def tab_to(self, name: str) -> None:
        """Press Tab until the control with this id, or the group of this name, has the focus."""
        found = """name => { let at = document.activeElement;
            while (at?.shadowRoot?.activeElement) at = at.shadowRoot.activeElement;
            return at?.id === name || at?.name === name; }"""
        for _ in range(150):
            if self.page.evaluate(found, name):
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"{name} is not reached by Tab")

    def overhang(self) -> int:
        """The number of pixels by which the page is wider than its window."""
        found: int = self.page.evaluate(
            "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )
        return found

    def shoot(self, name: str, tmp_path: Path) -> None:
        """Write a screenshot of the whole page."""
        self.page.evaluate(
            """async () => { const all = root => [...root.querySelectorAll('*')].flatMap(one =>
                [...(one.tagName === 'IMG' ? [one] : []), ...(one.shadowRoot ? all(one.shadowRoot) : [])]);
              const pictures = all(document);
              for (const one of pictures) one.loading = 'eager';
              await Promise.all(pictures.map(one => one.decode().catch(() => 0))); }"""
        )
        folder = Path(SHOTS) if SHOTS else tmp_path
        width = (self.page.viewport_size or {"width": 0})["width"]
        self.page.screenshot(path=folder / f"{name}-{width}.png", full_page=True)

    def check_access(self) -> None:
        """Hold the page to the rules of axe: nothing serious, nothing critical."""
        found = Axe().run(self.page).response["violations"]
        grave = [
            (one["id"], [node["target"] for node in one["nodes"]])
            for one in found
            if one["impact"] in ("serious", "critical")
        ]
        assert grave == []


@contextmanager
def visit(browser: Browser, url: str, path: str, width: int = 360, **options: Any) -> Iterator[Visit]:
    """Open a page in a context of its own."""
    context = browser.new_context(viewport={"width": width, "height": 800}, **options)
    found = Visit(context.new_page(), url)
    found.page.on("request", lambda request: found.asked.append(request.url))
    found.page.on("console", lambda message: found.console.append(message.text))
    found.page.on("pageerror", lambda error: found.console.append(f"error: {error}"))
    found.page.on("requestfinished", found.keep)
    found.page.goto(url + path, wait_until="networkidle")
    try:
        yield found
    finally:
        context.close()


@dataclass
class Desk:
    """The specialist's key, for looking at what came in."""

    service: Running
    key: str = ""

    def __post_init__(self) -> None:
        self.key = self.service.new_key("requests")

    def get(self, path: str) -> dict[str, Any]:
        return self.ask("GET", path)

    def ask(self, method: str, path: str, body: Any = None) -> dict[str, Any]:
        headers = {"Authorization": f"Bearer {self.key}"}
        answer = httpx.request(
            method, f"{self.service.url}{path}", headers=headers, json=body, timeout=30, verify=False
        )
        assert answer.status_code in (200, 201), answer.text
        found: dict[str, Any] = answer.json()
        return found

    def requests(self) -> list[dict[str, Any]]:
        """All requests, oldest first."""
        found: list[dict[str, Any]] = self.get("/v1/requests?limit=100")["requests"]
        return found

    def last(self) -> dict[str, Any]:
        """The request that came in last, whole, with its photographs."""
        request_id = self.requests()[-1]["id"]
        shown = self.get(f"/v1/requests/{request_id}")
        return shown | self.get(f"/v1/requests/{request_id}/photographs")
