"""Waiting for what a page does, and the sizes it is looked at in."""

from __future__ import annotations

import time
from typing import Any

from playwright.sync_api import Page

WIDE, TABLET = {"width": 1280, "height": 720}, {"width": 1024, "height": 768}
_WAIT_S = 60.0


def until(page: Page, words: str, *, wait_s: float = _WAIT_S) -> Any:
    """Wait until an expression is true in the page. Asked again and again from outside: the page forbids `eval`."""
    end = time.monotonic() + wait_s
    while True:
        value = page.evaluate(words)
        if value:
            return value
        assert time.monotonic() < end, f"never became true: {words}"
        time.sleep(0.05)
