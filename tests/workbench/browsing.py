"""A real browser without a screen, and waiting for what a page does."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from playwright.sync_api import Browser, Page, sync_playwright

WIDE, TABLET = {"width": 1280, "height": 720}, {"width": 1024, "height": 768}
_WAIT_S = 60.0


@contextmanager
def browsing() -> Iterator[Browser]:
    """Chromium, drawing in software."""
    program = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    assert program is not None, "these tests drive chromium: apt-get install chromium"
    with sync_playwright() as player:
        options = ["--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"]
        browser = player.chromium.launch(executable_path=program, args=options)
        try:
            yield browser
        finally:
            browser.close()


def until(page: Page, words: str, *, wait_s: float = _WAIT_S) -> Any:
    """Wait until an expression is true in the page. Asked again and again from outside: the page forbids `eval`."""
    end = time.monotonic() + wait_s
    while True:
        value = page.evaluate(words)
        if value:
            return value
        assert time.monotonic() < end, f"never became true: {words}"
        time.sleep(0.05)
