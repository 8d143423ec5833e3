"""The system's browser."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect, sync_playwright

# A page of a slow machine may take longer than the five seconds that Playwright waits by itself.
expect.set_options(timeout=30_000)

QUIET = [
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    chromium = shutil.which("chromium")
    assert chromium, "install chromium, or run `make test`, which does so where it may"
    # Chromium's sandbox refuses to run as root.
    sandbox = ["--no-sandbox"] if os.geteuid() == 0 else []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=[*QUIET, *sandbox])
        yield browser
        browser.close()
