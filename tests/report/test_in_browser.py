"""The change report in a real browser: from a disk, without a network, by hand and by keyboard, on paper."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser

from rectify.report import change_page
from tests.report.conftest import demo
from tests.viewer.browsing import DRAWS, DRAWS_NOT, Opened, browser, opened

# every piece of text that is seen, its colour, and what lies behind it: the nearest ground that is painted
_CONTRAST = """() => {
  const rgb = (text) => (text.match(/[\\d.]+/g) || []).map(Number);
  const light = ([r, g, b]) => [r, g, b].map((c) => c / 255)
    .map((c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4))
    .reduce((sum, c, i) => sum + c * [0.2126, 0.7152, 0.0722][i], 0);
  const ground = (e) => { for (; e; e = e.parentElement) { const style = getComputedStyle(e);
      const found = rgb(style.backgroundColor); if (found.length === 3 || found[3] === 1) return found;
      if (e.className === "rv-view") return [238, 240, 241]; } return [255, 255, 255]; };
  const out = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const e = walk.currentNode.parentElement;
    if (!walk.currentNode.textContent.trim() || e.closest("script, #unrolled") || !e.getClientRects().length) continue;
    const style = getComputedStyle(e);
    const ink = rgb(e.namespaceURI.endsWith("svg") ? style.fill : style.color);
    const [a, b] = [light(ink), light(ground(e))].sort((x, y) => y - x);
    out.push([(a + 0.05) / (b + 0.05), e.tagName, walk.currentNode.textContent.trim().slice(0, 40)]);
  }
  return out;
}"""


@pytest.fixture(scope="module")
def made() -> Iterator[Browser]:
    with browser(*DRAWS) as found:
        yield found


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """RB-102's change report on a disk."""
    result = demo("RB-102")
    place = tmp_path_factory.mktemp("report") / "change-report.html"
    place.write_text(change_page(result.report, result.outcome, "2026-11-25"), encoding="utf-8")
    return place


@pytest.fixture(scope="module")
def page(made: Browser, file: Path) -> Opened:
    found = opened(made, 1280, 720)
    found.page.goto(file.as_uri())
    found.page.wait_for_function("() => document.getElementById('view').viewer")
    found.ask("() => { window.viewer = document.getElementById('view').viewer; }")
    found.settle()
    return found


def test_from_a_disk_it_opens_without_a_complaint_and_asks_for_nothing(page: Opened, file: Path) -> None:
    assert page.said == [] and page.asked == [file.as_uri()]


def test_the_first_screen_has_the_picture_the_figures_and_what_needs_a_look(page: Opened) -> None:
    for where in (".stamp", ".glance li >> nth=0", ".glance li >> nth=3", "#look h2", ".calm", "canvas"):
        box = page.page.locator(where).bounding_box()
        assert (
            box is not None and box["y"] < 720 and box["y"] + min(box["height"], 300) <= 720
        )  # px: of the first screen
    rgb = page.pixels("[data-part=picture]")
    assert (rgb[..., 0] - rgb[..., 2] > 60).sum() > 3_000 and (rgb[..., 2] - rgb[..., 0] > 20).sum() > 3_000


def test_the_slider_moves_the_section_by_keyboard_and_its_figures_are_the_reports(page: Opened) -> None:
    slider = page.page.get_by_role("slider")
    page.ask("() => viewer.setLevel(38)")
    before = page.page.locator(".rv-now").get_attribute("d")
    slider.press("ArrowRight")
    assert page.ask("() => viewer.level") == 40.0 and page.page.locator(".rv-now").get_attribute("d") != before
    assert slider.get_attribute("aria-valuetext") == "40 mm"
    cells = page.page.locator(".rv-figures tbody tr").all_inner_texts()
    row = next(row for row in demo("RB-102").report["levels"] if row["level_mm"] == 40.0)
    for text, key in zip(cells, ("circumference", "ap", "ml"), strict=True):
        shown = [float(x.replace("\u2212", "-")) for x in re.findall(r"[+\u2212]?\d+\.\d", text)]
        assert shown[0] == pytest.approx(row[f"{key}_before_mm"], abs=0.0501)  # mm: shown to a tenth
        assert shown[1] == pytest.approx(row[f"{key}_after_mm"], abs=0.0501)


def test_dragging_the_line_in_the_picture_moves_slider_and_outline(page: Opened) -> None:
    page.ask("() => { scrollTo(0, 0); viewer.camera.stand('anterior'); viewer.setLevel(40); }")
    page.settle()
    x, y = page.ask("""() => { const box = viewer.canvas.getBoundingClientRect();
        const [x, y] = viewer.placeOf([0, 40, -40]); return [box.left + x, box.top + y]; }""")
    scale, before = page.ask("() => viewer.camera.scale"), page.page.locator(".rv-now").get_attribute("d")
    page.page.mouse.move(x, y)
    page.page.mouse.down()
    page.page.mouse.move(x, y + 24 * scale, steps=4)
    page.page.mouse.up()
    assert page.ask("() => viewer.level") == pytest.approx(64.0, abs=1.01)  # mm
    assert page.page.locator("output").inner_text() == f"{page.ask('() => viewer.level'):.0f} mm"
    assert page.page.locator(".rv-now").get_attribute("d") != before


def test_buttons_change_what_is_shown_and_say_so(page: Opened) -> None:
    picture = page.pixels("[data-part=picture]")
    page.page.get_by_role("button", name="Captured").press("Enter")
    page.settle()
    assert page.page.get_by_role("button", name="Captured").get_attribute("aria-pressed") == "true"
    assert page.page.get_by_role("button", name="Change").get_attribute("aria-pressed") == "false"
    assert (np.abs(page.pixels("[data-part=picture]") - picture).max(axis=-1) > 25).sum() > 3_000
    page.page.get_by_role("button", name="Change").click()
    page.page.get_by_role("button", name="Back").click()
    page.settle()
    assert page.ask("() => viewer.camera.angle") == 180.0
    page.page.get_by_role("button", name="Front").click()
    page.settle()


def test_the_keyboard_reaches_everything_in_the_order_of_the_page(page: Opened) -> None:
    page.page.locator(".skip").focus()
    reached = [page.page.locator(".skip").inner_text()]
    for _ in range(60):
        page.page.keyboard.press("Tab")
        reached.append(
            page.ask(
                "() => document.activeElement.id || document.activeElement.textContent.trim() "
                "|| document.activeElement.tagName"
            )
        )
        if reached[-1] == "rv-level":
            break
    for name in ("to the report", "Regions", "Both", "End", "CANVAS", "rv-level"):
        assert name in reached, reached


@pytest.mark.parametrize(("width", "height"), [(1280, 720), (820, 1180), (390, 844)])
def test_no_screen_has_to_be_moved_sideways(page: Opened, width: int, height: int) -> None:
    page.page.set_viewport_size({"width": width, "height": height})
    try:
        assert page.ask("() => document.documentElement.scrollWidth") <= width
        box = page.page.locator("canvas").bounding_box()
        assert box is not None and box["x"] >= 0 and box["x"] + box["width"] <= width and box["height"] > 300
    finally:
        page.page.set_viewport_size({"width": 1280, "height": 720})


def test_every_word_on_the_screen_and_on_paper_stands_out(page: Opened) -> None:
    for medium in ("screen", "print"):
        page.page.emulate_media(media=medium)
        try:
            found = page.ask(_CONTRAST)
        finally:
            page.page.emulate_media(media="screen")
        assert len(found) > 400
        assert [row for row in found if row[0] < 4.5] == []  # WCAG 2.2, success criterion 1.4.3


def test_on_paper_it_has_pages_with_the_pictures_and_not_the_view(page: Opened) -> None:
    pdf = page.page.pdf(prefer_css_page_size=True)
    assert pdf.startswith(b"%PDF") and 5 <= len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) <= 14
    page.page.emulate_media(media="print")
    try:
        assert not page.page.locator("#view").is_visible()
        assert page.page.locator(".sides img").count() == 5 and page.page.locator(".sides img").first.is_visible()
    finally:
        page.page.emulate_media(media="screen")


def everything_else_is_there(found: Opened) -> None:
    assert found.page.locator("[data-part=note]").is_visible() and not found.page.locator(".stage").is_visible()
    for where in (
        ".sides img >> nth=0",
        "#unrolled",
        "#by-level",
        ".cuts svg >> nth=4",
        "table.regions",
        "#words li >> nth=0",
    ):
        assert found.page.locator(where).is_visible(), where
    assert found.said == []


def test_without_scripts_everything_is_said_by_pictures(made: Browser, file: Path) -> None:
    found = opened(made, 1024, 768, java_script_enabled=False)
    found.page.goto(file.as_uri())
    everything_else_is_there(found)
    assert "can be turned" in found.page.locator("[data-part=note]").inner_text()


def test_a_browser_that_draws_nothing_in_three_dimensions_says_so(file: Path) -> None:
    with browser(*DRAWS_NOT) as plain:
        found = opened(plain)
        found.page.goto(file.as_uri())
        note = found.page.locator("[data-part=note]")
        note.get_by_text("cannot show").wait_for()
        everything_else_is_there(found)


def test_an_estimated_landmark_looks_different_and_shows_how_far_it_may_be_off(made: Browser, tmp_path: Path) -> None:
    result = demo("RB-104")
    place = tmp_path / "change-report.html"
    place.write_text(change_page(result.report, result.outcome), encoding="utf-8")
    found = opened(made)
    found.page.goto(place.as_uri())
    found.page.wait_for_function("() => document.getElementById('view').viewer")
    marks = found.ask("""() => [...document.querySelectorAll(".rv-mark")].map((g) => ({
        kind: g.getAttribute("class").replace("rv-mark rv-", ""),
        fill: getComputedStyle(g.querySelector(".rv-dot")).fill,
        cross: Boolean(g.querySelector(".rv-cross")), ring: Boolean(g.querySelector(".rv-unsure")) }))""")
    kinds = {mark["kind"]: mark for mark in marks}
    assert {"marked", "estimated"} <= set(kinds)
    assert kinds["estimated"]["cross"] and kinds["estimated"]["ring"] and not kinds["marked"]["cross"]
    assert kinds["estimated"]["fill"] != kinds["marked"]["fill"]
    assert found.said == []
