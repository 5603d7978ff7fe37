"""A real browser, drawing in software, for what only a browser can show: one for a whole module of tests."""

from __future__ import annotations

import atexit
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from playwright.sync_api import Browser, Page, Playwright, Route, sync_playwright

from rectify.viewer import static_folder

DRAWS = ("--use-angle=swiftshader", "--enable-unsafe-swiftshader")
DRAWS_NOT = ("--disable-gpu", "--disable-3d-apis")
HOST = "http://viewer.invalid"  # never resolved: every request is answered here


@cache
def _driver() -> Playwright:
    """The one driver of this process."""
    made = sync_playwright().start()
    atexit.register(made.stop)
    return made


@contextmanager
def browser(*how: str) -> Iterator[Browser]:
    """Chromium, without a window."""
    place = shutil.which("chromium")
    assert place is not None, "chromium is wanted for these tests (apt-get install chromium)"
    made = _driver().chromium.launch(executable_path=place, args=["--no-sandbox", *how])
    yield made
    made.close()


@dataclass
class Opened:
    """A page, and everything it said and asked for."""

    page: Page
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def ask(self, script: str, given: Any = None) -> Any:
        """What a piece of script gives back."""
        return self.page.evaluate(script, given)

    def pixels(self, where: str) -> np.ndarray:
        """(h, w, 3) what is to be seen of an element."""
        shot = self.page.locator(where).screenshot(animations="disabled")
        return np.asarray(Image.open(BytesIO(shot)).convert("RGB")).astype(int)

    def settle(self) -> None:
        """Wait until the picture is at rest."""
        self.page.wait_for_function("() => viewer.atRest")


def opened(made: Browser, width: int = 1280, height: int = 900, **options: Any) -> Opened:
    """An empty page that listens to what it says and asks for."""
    page = made.new_page(viewport={"width": width, "height": height}, **options)
    out = Opened(page)
    page.on("console", lambda message: out.said.append(f"{message.type}: {message.text}"))
    page.on("pageerror", lambda error: out.said.append(f"error: {error}"))
    page.on("request", lambda request: out.asked.append(request.url))
    return out


def serve(found: Opened, files: dict[str, bytes | str]) -> None:
    """Answer for HOST: the viewer's own files, and some more."""

    def answer(route: Route) -> None:
        name = route.request.url.removeprefix(HOST + "/")
        kinds = {".js": "text/javascript", ".css": "text/css", ".html": "text/html"}
        body = files.get(name)
        if body is None:
            body = (static_folder() / name).read_bytes()
        route.fulfill(body=body, content_type=kinds.get(Path(name).suffix, "application/octet-stream"))

    found.page.route(f"{HOST}/**", answer)
