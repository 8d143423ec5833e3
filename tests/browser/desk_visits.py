"""A service with requests that wait at the desk, and a browser that writes down what happens there."""

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
import pyotp
from axe_playwright_python.sync_playwright import Axe
from PIL import Image, ImageDraw
from playwright.sync_api import Browser, Page
from running import SECRET, Running

from service.db.engine import open_engine
from service.desk.users import records
from service.desk.users.second_factor import address

PASSWORD = "a long enough password"
IT = {
    "maker": "Ostvik",
    "model": "Fjell 2",
    "year": 1964,
    "finish": "Tarn",
    "serial": "F 1234",
    "figure": 3,
    "condition": {"top": 2, "neck": 1, "electronics": "working"},
    "originality": {"finish": "original"},
}
OWNER = {"name": "Ronja Eklund", "email": "ronja@example.org", "phone": "+46 70 000 00 00"}
VIEWS = ("front", "back", "headstock_front", "headstock_back", "serial", "neck")


@dataclass
class Desk:
    """The service, users of the desk, and requests that wait."""

    service: Running
    key: str
    requests: list[str] = field(default_factory=list)
    users: int = 0

    @property
    def url(self) -> str:
        return self.service.url

    def user(self) -> tuple[str, str]:
        """Add a user, and return name and code: one who signed in before would wait for the next code."""
        self.users += 1
        name = f"Ann {self.users}"
        engine = open_engine(self.service.database)
        factor = pyotp.parse_uri(address(SECRET, records.add(engine, name, PASSWORD), name))
        engine.dispose()
        assert isinstance(factor, pyotp.TOTP)
        return name, factor.now()

    def api(self, method: str, path: str, **more: Any) -> Any:
        headers = {"Authorization": f"Bearer {self.key}", **more.pop("headers", {})}
        found = httpx.request(method, f"{self.url}{path}", headers=headers, timeout=30, verify=False, **more)
        assert found.status_code < 300, found.text
        return found.json()

    def ask(self, **more: Any) -> str:
        """A new request with photographs, as an owner sends it."""
        body = {"instrument": IT, "contact": OWNER, "purpose": "insurance", "consent": True, **more}
        made: str = self.api("POST", "/v1/requests", json=body)["id"]
        for at, view in enumerate(VIEWS):
            path = f"/v1/requests/{made}/photographs?view={view}"
            self.api("POST", path, content=drawn(at), headers={"Content-Type": "image/jpeg"})
        self.requests.append(made)
        return made


def drawn(at: int) -> bytes:
    """A picture of an instrument of our own, as JPEG."""
    image = Image.new("RGB", (600, 800), (236, 226, 205))
    pen = ImageDraw.Draw(image)
    wood = (120 + 12 * at, 60 + 6 * at, 24)
    pen.ellipse((150, 430, 450, 760), fill=wood)
    pen.ellipse((190, 330, 410, 520), fill=wood)
    pen.rectangle((280, 90, 320, 420), fill=(74, 44, 22))
    pen.line((300, 430, 300, 760), fill=(52, 28, 12), width=2)
    out = io.BytesIO()
    image.save(out, "JPEG")
    return out.getvalue()


@contextmanager
def opened(folder: Path, store: Path, *, fake: bool = True) -> Iterator[Desk]:
    """Serve a desk with a user."""
    settings = {"BOOKMATCH_FILES": str(folder / "files"), "BOOKMATCH_WORKERS": "1"}
    with Running(folder, store, fake=fake, settings=settings) as service:
        scopes = ("requests", "valuations", "evidence", "admin")
        yield Desk(service, service.new_key(*scopes))


@dataclass
class Visit:
    """A browser at the desk: every address that it asked for, and every complaint of the page."""

    page: Page
    desk: Desk
    asked: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))

    def go(self, path: str) -> None:
        answer = self.page.goto(f"{self.desk.url}{path}")
        assert answer is not None and answer.status == 200, path

    def sign_in(self) -> None:
        name, code = self.desk.user()
        self.go("/desk/sign-in")
        self.page.fill("#name", name)
        self.page.fill("#password", PASSWORD)
        self.page.fill("#code", code)
        self.page.click("text=Sign in >> nth=-1")
        self.page.wait_for_url("**/desk")

    def tab_to(self, selector: str, most: int = 250) -> None:
        """Go on by the Tab key until this has the focus."""
        for _ in range(most):
            if self.page.evaluate("s => document.activeElement?.matches(s) ?? false", selector):
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"the keyboard does not reach {selector}")

    def overhang(self) -> int:
        over = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
        return int(self.page.evaluate(over))

    def hosts(self) -> set[str]:
        found = [urlsplit(url) for url in self.asked if not url.startswith("data:")]
        return {f"{one.scheme}://{one.netloc}" for one in found}

    def violations(self) -> list[str]:
        """The serious and critical violations that axe finds."""
        found = Axe().run(self.page).response["violations"]
        return [
            f"{one['id']}: {node['html'][:120]}"
            for one in found
            if one["impact"] in ("serious", "critical")
            for node in one["nodes"]
        ]

    def shoot(self, folder: Path, name: str) -> None:
        """Write a picture of the whole page, to `DESK_SHOTS` if that is set."""
        kept = Path(os.environ.get("DESK_SHOTS") or folder)
        kept.mkdir(parents=True, exist_ok=True)
        width = (self.page.viewport_size or {"width": 0})["width"]
        self.page.screenshot(path=kept / f"{name}-{width}.png", full_page=True)


def visit(browser: Browser, desk: Desk, width: int = 1200, *, script: bool = True) -> Visit:
    viewport = {"width": width, "height": 900}
    context = browser.new_context(viewport=viewport, java_script_enabled=script)  # type: ignore[arg-type]
    return Visit(context.new_page(), desk)
