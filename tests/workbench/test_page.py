"""The page in a real browser against a running server: seen, chosen, tuned, marked, drawn, undone, saved, compared,
taken out; two windows; a server that ends and comes back. What it says is held against the session and the command.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page

from rectify.workbench.session import Session
from tests.running import run_in
from tests.viewer.browsing import DRAWS
from tests.viewer.browsing import browser as browsing
from tests.workbench.browsing import TABLET, WIDE, until
from tests.workbench.serving import Client, serving

FINISHED = "!!(window.bench && bench.found && bench.viewer && document.getElementById('busy').hidden)"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with browsing(*DRAWS) as one:
        yield one


@pytest.fixture
def window(browser: Browser, bench: Client) -> Iterator[Page]:
    """The page, open and finished; whatever the console says against it, and any request elsewhere, is a failure."""
    page, wrong = opened(browser, bench)
    yield page
    page.context.close()
    assert wrong == []


def opened(browser: Browser, bench: Client, size=WIDE) -> tuple[Page, list[str]]:
    page = browser.new_context(viewport=size, accept_downloads=True).new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda problem: wrong.append(str(problem)))
    expected = ("422 (", "409 (", "ERR_CONNECTION_REFUSED")  # refusals that the page shows, a server that was ended

    def heard(said: ConsoleMessage) -> None:
        if said.type == "error" and not any(word in said.text for word in expected):
            wrong.append(said.text)

    page.on("console", heard)
    own = f"http://127.0.0.1:{bench.port}/"
    page.on("request", lambda asked: None if asked.url.startswith((own, "blob:", "data:")) else wrong.append(asked.url))
    page.goto(bench.address)
    until(page, FINISHED)
    return page, wrong


def settled(page: Page, revision: int) -> None:
    until(page, f"bench.state.revision > {revision} && {FINISHED}")


def revision(page: Page) -> int:
    return int(page.evaluate("bench.state.revision"))


def test_it_shows_the_limb_its_map_its_section_and_the_figures_that_the_engine_found(window, bench):
    report = bench.session.made(wait_s=60).result.report
    text = window.inner_text("#strip")
    assert f"{report['volume']['after_ml']:.0f} ml" in text and report["case"] in text
    for canvas in ("#picture canvas", "#map"):
        colours = window.evaluate(
            "(which) => { const c = document.querySelector(which); const p = document.createElement('canvas');"
            "p.width = c.width; p.height = c.height; const g = p.getContext('2d'); g.drawImage(c, 0, 0);"
            "const d = g.getImageData(0, 0, p.width, p.height).data; const s = new Set();"
            "for (let i = 0; i < d.length; i += 400) s.add(d[i] >> 4 << 8 | d[i + 1] >> 4 << 4 | d[i + 2] >> 4);"
            "return s.size; }",
            canvas,
        )
        assert colours > 20, canvas  # not blank: skin, build-up and reduction in their shades
    assert "Circumference" in window.inner_text("#section")


def test_a_region_is_chosen_in_the_list_the_map_or_the_picture(window):
    window.click("#region-patellar-tendon")
    assert window.evaluate("[bench.chosen, bench.map.chosen, bench.viewer.chosen]") == ["patellar-tendon"] * 3
    x, y = window.evaluate("bench.map.at(...bench.map.spots(bench.map.regions[3].spot, 1)[0])")
    box = window.locator("#map").bounding_box()
    window.mouse.click(box["x"] + x, box["y"] + y)
    assert window.evaluate("bench.chosen === bench.map.regions[3].name && bench.viewer.chosen === bench.chosen")
    window.focus("#map")
    window.keyboard.press("ArrowRight")
    assert window.evaluate("bench.chosen === bench.map.regions[4].name")


def test_the_shape_follows_the_hand_and_the_engines_own_takes_its_place(window, bench, tell):
    window.click("#region-fibular-head")
    until(window, "bench.lines && bench.lines.name === 'fibular-head' && !!bench.lines.lines")
    before, seen = window.evaluate("bench.viewer.payload.rectified.slice()"), revision(window)
    window.focus("#amount-fibular-head")
    for _ in range(6):
        window.keyboard.press("ArrowLeft")
    settled(window, seen)
    until(window, f"bench.state.regions.find(r => r.name === 'fibular-head').amount_mm === 4.4 && {FINISHED}")
    after = window.evaluate("bench.viewer.payload.rectified.slice()")
    assert before != after
    took = sorted(window.evaluate("bench.hand.took"))
    tell(f"a step of the hand: {took[len(took) // 2]:.1f} ms in the median of {len(took)}, in the page")
    achieved = bench.get("/api/found").json["regions"]["fibular-head"]["achieved_mm"]
    assert achieved == pytest.approx(4.4, abs=0.05)  # mm
    assert f"achieved {achieved:.2f}" in window.inner_text("#regions")


def test_past_what_is_allowed_the_page_says_why_not_and_goes_back(window):
    window.click("#region-fibular-head")
    window.fill("#amount-fibular-head-mm", "9")
    window.press("#amount-fibular-head-mm", "Enter")
    until(window, "!!document.querySelector('.notice.fault')")
    assert "6 mm" in window.inner_text(".notice.fault")
    assert window.input_value("#amount-fibular-head-mm") == "5"


def test_undo_redo_and_save_by_keyboard(window, bench, folder, tmp_path):
    window.click("#region-distal-tibia")
    window.fill("#feather-distal-tibia", "20")
    seen = revision(window)
    window.press("#feather-distal-tibia", "Enter")
    settled(window, seen)
    window.focus("#map")
    window.keyboard.press("Control+z")
    settled(window, seen + 1)
    assert window.evaluate("Object.keys(bench.state.overlay).length") == 0
    window.keyboard.press("Control+Shift+z")
    settled(window, seen + 2)
    window.keyboard.press("Control+s")
    window.fill("#save-by", "Jo Doe")
    window.fill("#save-why", "wider")
    window.keyboard.press("Enter")
    assert window.evaluate("document.getElementById('ask-save').open")  # no full names
    window.fill("#save-by", "JT-cpo")
    window.keyboard.press("Enter")
    until(window, f"bench.state.base === 1 && {FINISHED}")
    made = bench.session.version(1).result.save(tmp_path / "here", without=("page",))
    assert run_in(tmp_path, "apply", folder, "--out", tmp_path / "there", "--without", "page").code == 4
    stl = "RB-102-rectified.stl"
    assert (made / stl).read_bytes() == (tmp_path / "there" / stl).read_bytes()


def test_a_landmark_is_moved_by_a_click_on_the_limb_and_by_the_keyboard_on_the_map(window, bench):
    window.click("summary:has-text('Landmarks')")
    mark = next(m for m in bench.state["landmarks"] if m["name"] == "distal-fibula")
    window.click("#move-distal-fibula")
    assert window.evaluate("bench.viewer.mode") == "captured"
    seen = revision(window)
    for key in ("Shift+ArrowUp", "ArrowDown", "Enter"):
        window.keyboard.press(key)
    settled(window, seen)
    moved = next(m for m in bench.state["landmarks"] if m["name"] == "distal-fibula")
    assert moved["level_mm"] - mark["level_mm"] == pytest.approx(-4, abs=1.5)  # mm: a pixel of the map
    window.evaluate("bench.viewer.look('lateral')")
    window.wait_for_timeout(1500)
    window.click("#move-distal-fibula")
    x, y = window.evaluate(
        "bench.viewer.placeOf(bench.state.landmarks.find(m => m.name === 'distal-fibula').points[0])"
    )
    box = window.locator("#picture canvas").bounding_box()
    seen = revision(window)
    window.mouse.click(box["x"] + x + 6, box["y"] + y)
    settled(window, seen)
    again = next(m for m in bench.state["landmarks"] if m["name"] == "distal-fibula")
    assert 0.5 < abs((again["angle_deg"] - moved["angle_deg"] + 180) % 360 - 180) < 15
    assert window.evaluate("bench.viewer.mode") == "change"


def test_a_region_is_drawn_on_the_map_and_made(window, bench):
    window.click("#draw-region")
    box = window.locator("#map").bounding_box()
    for across, down in ((0.55, 0.55), (0.65, 0.55), (0.65, 0.68), (0.55, 0.68)):
        window.mouse.click(box["x"] + box["width"] * across, box["y"] + box["height"] * down)
    window.click("#placed")
    seen = revision(window)
    window.click("#make-drawn")
    settled(window, seen)
    assert bench.get("/api/found").json["regions"]["drawn-1"]["achieved_mm"] == pytest.approx(2, abs=0.1)  # mm
    until(window, "bench.chosen === 'drawn-1'")


def test_findings_lead_to_proposals_that_wait_for_a_hand(window, bench):
    window.click("summary:has-text('After the fitting')")
    step = ".step-of:nth-of-type(3)"
    window.select_option(f"{step} select[aria-label='where']", "fibular-head")
    window.click(f"{step} button")
    until(window, "!!document.querySelector('#proposals .proposal button')")
    assert bench.state["overlay"] == {"findings": [{"kind": "redness", "where": "fibular-head"}]}
    seen = revision(window)
    window.click("#proposals .proposal button")
    settled(window, seen)
    assert bench.state["overlay"]["regions"]["fibular-head"]["amount"] == 6.0


def test_versions_are_compared_and_taken_out(window, bench, tmp_path):
    bench.post("region", name="fibular-head", change={"amount": 4.0, "why": "red"})
    bench.post("save", by="JT-cpo", why="one")
    until(window, f"bench.state.base === 1 && {FINISHED}")
    window.click("summary:has-text('Versions and files')")
    window.click("#compare")
    until(window, "document.getElementById('differences').innerText.includes('fibular-head')")
    with window.expect_download() as taken:
        window.click("#take-stl-1")
    taken.value.save_as(tmp_path / "one.stl")
    assert (tmp_path / "one.stl").read_bytes() == bench.ask("GET", "/api/out/1/stl").body
    window.click("#back-0")
    until(window, "bench.state.base === 0")


def test_two_windows_show_the_same_and_lose_nothing_of_each_other(window, bench, browser):
    other, wrong = opened(browser, bench)
    try:
        seen = revision(window)
        window.click("#region-tibial-crest")
        window.uncheck("#on-tibial-crest")
        settled(window, seen)
        until(other, "bench.state.overlay.regions?.['tibial-crest']?.off === true")
        other.click("#region-distal-tibia")
        other.fill("#amount-distal-tibia-mm", "6")
        other.press("#amount-distal-tibia-mm", "Enter")
        until(window, "!!bench.state.overlay.regions?.['distal-tibia']")
        assert set(bench.state["overlay"]["regions"]) == {"tibial-crest", "distal-tibia"}
    finally:
        other.context.close()
    assert wrong == []


def test_what_a_closed_browser_and_an_ended_server_left_is_offered_again(browser: Browser, folder: Path):
    with serving(folder) as bench:
        page, _ = opened(browser, bench)
        page.click("#region-tibial-crest")
        page.uncheck("#on-tibial-crest")
        until(page, "!!bench.state.overlay.regions")
        page.context.close()
    with serving(folder) as bench:
        page, wrong = opened(browser, bench)
        page.click("#take-up")
        until(page, "!!bench.state.overlay.regions?.['tibial-crest'] && !document.getElementById('left-over')")
        page.context.close()
        assert wrong == []


def test_a_server_that_ended_is_said_in_words(browser: Browser, folder: Path):
    with serving(folder) as bench:
        page, _ = opened(browser, bench)
    page.click("#region-tibial-crest")
    page.uncheck("#on-tibial-crest")
    until(page, "!!document.querySelector('.notice.fault')")
    assert "does not answer" in page.inner_text(".notice.fault")
    page.context.close()


@pytest.mark.parametrize("size", [WIDE, TABLET], ids=["wide", "tablet"])
def test_everything_fits_and_every_control_has_a_name(browser: Browser, bench: Client, size):
    page, wrong = opened(browser, bench, size)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert page.evaluate(
        "document.getElementById('work').scrollWidth <= document.getElementById('work').clientWidth + 1"
    )
    for details in page.locator("#work > details:not([open]) > summary").all():
        if details.is_visible():
            details.click()
    nameless = page.evaluate(
        "[...document.querySelectorAll('button, input, select, canvas')].filter(e => !(e.textContent.trim() || "
        "e.getAttribute('aria-label') || e.labels?.length || e.placeholder)).map(e => e.outerHTML)"
    )
    assert nameless == [] and wrong == []
    page.context.close()


def test_words_on_what_lies_behind_them_are_readable():
    """Contrast 4.5 to 1 or more (Web Content Accessibility Guidelines 2.2, 1.4.3), by its own formula."""
    text = (Path(__file__).parents[2] / "rectify/workbench/static/bench.css").read_text()
    colour = dict(re.findall(r"--([a-z]+): (#[0-9a-f]{3,6})", text))

    def light(name: str) -> float:
        code = colour.get(name, name).lstrip("#")
        code = "".join(c * 2 for c in code) if len(code) == 3 else code
        parts = [int(code[i : i + 2], 16) / 255 for i in (0, 2, 4)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    for front, back in [
        ("ink", "paper"), ("soft", "paper"), ("soft", "warm"), ("pencil", "paper"), ("#ffffff", "pencil"),
        ("alarm", "#fbe9e7"), ("ink", "#f3ecd8"), ("#6b4a00", "paper"), ("#686e73", "warm"),
        ("#767c81", "sheet"), ("#ffffff", "ink"),
    ]:  # fmt: skip
        one, two = sorted((light(front), light(back)))
        ratio = (two + 0.05) / (one + 0.05)
        least = 3.0 if front in ("#767c81",) else 4.5  # a button that cannot be used is exempt; it is readable still
        assert ratio >= least, (front, back, round(ratio, 2))


def test_a_session_can_be_opened_again_after_the_server_ended(folder):
    with serving(folder):
        pass
    Session(folder).close()
