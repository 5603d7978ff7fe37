"""The page: one file, offline, readable by people and by what reads to people, and nothing from a file runs in it."""

from __future__ import annotations

import base64
import hashlib
import re
from functools import cache
from html.parser import HTMLParser
from itertools import pairwise
from typing import Any

import pytest

from rectify.engine import Outcome
from rectify.limb.spot import Spot
from rectify.report import page_pictures
from rectify.report.look import style
from rectify.report.page import change_page
from rectify.rulebook.plan import Limits
from rectify.synthetic import CASES
from rectify.viewer import MOST_FACES
from tests import made
from tests.report.conftest import Write, demo, patches, released, reported
from tests.viewer.test_colours import hexed, luminance

_VOID = {"meta", "img", "br", "path", "circle", "use", "image", "rect"}
Tag = tuple[str, dict[str, str | None]]


class Page(HTMLParser):
    """Tags in order, text, and whether every tag was closed by its own end."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[Tag] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.feed(html)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in _VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: Any) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if tag not in _VOID:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not (self.open and self.open[-1] in ("style", "script")):
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))

    def all(self, name: str) -> list[dict[str, str | None]]:
        return [attrs for tag, attrs in self.tags if tag == name]


@cache
def page_of(code: str) -> str:
    result = demo(code)
    return change_page(result.report, result.outcome)


@pytest.fixture
def no_pictures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the pictures out where a test is about the words: they take longest, and have tests of their own."""
    monkeypatch.setattr(page_pictures, "unrolled_map", lambda _: "<svg id='unrolled'></svg>")
    monkeypatch.setattr(page_pictures, "four_sides", lambda _: ())


@pytest.fixture(scope="module")
def page() -> Page:
    return Page(page_of("RB-102"))


@pytest.mark.parametrize("code", [case.code for case in CASES])
def test_every_demo_case_gives_a_well_formed_page_under_two_megabytes(code: str) -> None:
    html = page_of(code)
    assert len(html.encode()) < 2_000_000
    text = Page(html).text
    released = demo(code).standing.status == "released"
    assert code in text and ("RELEASED by" if released else "DRAFT") in text


def test_a_page_stays_under_three_megabytes_however_fine_and_rough_the_capture_is() -> None:
    html = page_of("RB-102")
    packed = html.split("id='view-data'>")[1].split("</script>")[0]
    # not even if nothing could be packed smaller: 16 bytes a vertex, 6 a face, and a third more as text
    vertices = MOST_FACES / 2 + 1_000  # of a surface with one border; its two columns of spots and levels aside
    most = 4 / 3 * (16 * vertices + 6 * MOST_FACES + 200_000)
    assert len(packed) < most and len(html) - len(packed) + most < 3_000_000


def test_the_page_needs_nothing_from_outside_and_lets_no_script_run_but_its_own(page: Page) -> None:
    data, own = page.all("script")
    assert data == {"type": "application/octet-stream", "id": "view-data"} and own == {} and page.all("link") == []
    for _, attrs in page.tags:
        assert not any(key.startswith("on") for key in attrs)
        for key in ("src", "href", "xlink:href"):
            if attrs.get(key):
                assert str(attrs[key]).startswith(("data:image/png", "#")), attrs
    assert not re.search(r"url\((?!#)|@import", page_of("RB-102"))
    policy = next(str(a["content"]) for a in page.all("meta") if a.get("http-equiv"))
    script = page_of("RB-102").rsplit("<script>", 1)[1].split("</script>")[0]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert policy.startswith("default-src 'none'") and policy.endswith(f"script-src 'sha256-{digest}'")
    assert "<!--" not in script  # it would let a later <script hide the end of this one


def test_the_page_can_be_read_aloud(page: Page) -> None:
    assert page.all("html")[0]["lang"] == "en" and len(page.all("h1")) == 1
    assert all(attrs.get("scope") in ("row", "col") for attrs in page.all("th"))
    assert all(attrs.get("alt") for attrs in page.all("img"))
    assert all(a.get("aria-hidden") or a.get("aria-label") for a in page.all("svg"))
    assert len(page.all("caption")) == len(page.all("table")) >= 8
    ids = [attrs["id"] for _, attrs in page.tags if attrs.get("id")]
    assert len(ids) == len(set(ids))
    headings = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h[1-6]", tag)]
    assert all(b - a <= 1 for a, b in pairwise(headings))
    linked = {str(a["href"])[1:] for a in page.all("a")}
    assert linked <= set(ids)


def test_the_map_is_told_in_words(page: Page) -> None:
    told = next(a["aria-label"] for a in page.all("svg") if a.get("id") == "unrolled")
    assert told is not None and "fibular-head built up by 5.0 mm" in told and "popliteal reduced by" in told


def test_regions_tunings_evidence_and_digests_stand_in_the_page(page: Page) -> None:
    report = demo("RB-102").report
    for words in (
        *report["regions"],
        "KW-cpo",
        "redness after ten minutes",
        "from memory, unverified",
        report["digest"],
    ):
        assert words in page.text
    assert all(item["sha256"] in page.text for item in report["inputs"])
    assert all(w["message"] in page.text for w in report["warnings"])
    assert all(caution in page.text for caution in report["cautions"])


@pytest.mark.usefixtures("no_pictures")
def test_the_same_facts_give_the_same_page_and_a_date_only_where_one_is_given(write: Write) -> None:
    facts, outcome = reported(write(), patches())
    plain = change_page(facts, outcome)
    assert plain == change_page(facts, outcome)
    assert not re.search(r"20\d\d-\d\d-\d\d", plain)
    assert "2026-11-22" in Page(change_page(facts, outcome, date="2026-11-22")).text


def stamped(facts: dict[str, Any], outcome: Outcome) -> str:
    html = change_page(facts, outcome)
    found = re.search(r"<div class='stamp (\w+)'><div><strong>(\w+)</strong>([^<]*)", html)
    assert found is not None
    assert f"{found[2]}" in html.split("@page")[1].split("}")[0]  # and at the head of every printed page
    return f"{found[1]} {found[2]} {found[3]}"


@pytest.mark.usefixtures("no_pictures")
def test_a_draft_a_release_and_a_stop_cannot_be_mistaken(write: Write) -> None:
    case = write()
    assert stamped(*reported(case, patches())).startswith("draft DRAFT Not released")
    assert stamped(*reported(case, patches(), released())) == "released RELEASED by JT-cpo on 2026-11-21"
    broken = made.plan(*patches().regions, limits=Limits(reduction_mm=1.0))
    assert stamped(*reported(case, broken, released())).startswith(
        "stopped STOPPED A limit of the rulebook is breached"
    )


@pytest.mark.usefixtures("no_pictures")
def test_what_comes_from_files_is_shown_and_never_run(write: Write) -> None:
    nasty = "<script>alert('1')</script>\"><img src=x onerror=alert(1)>"
    plan = made.plan(
        made.build_up("front", 4.0, Spot(40.0, 0.0), why=nasty, evidence=nasty, amount_text=nasty),
        cautions=(nasty,),
        conditions=(nasty,),
        rulebook_name=nasty,
        rulebook_key=nasty,
    )
    facts, outcome = reported(write(), plan)
    facts["warnings"].append({"code": "x", "severity": "note", "message": nasty, "where": nasty})
    facts["landmarks"]["mid-patellar-tendon"]["note"] = nasty
    facts["inputs"][0]["file"] = nasty
    html = change_page(facts, outcome, date=nasty)
    assert html.count("<script") == 2 and "<img src=x" not in html  # the view's data, and the page's own
    assert Page(html).text.count("alert('1')") >= 8


def test_a_region_named_like_markup_does_not_break_the_map(write: Write) -> None:
    plan = made.plan(made.build_up("<b>\"&'", 4.0, Spot(40.0, 0.0)))
    assert "<b>\"&'" in Page(change_page(*reported(write(), plan))).text


@pytest.mark.usefixtures("no_pictures")
def test_the_top_says_the_volume_the_extremes_and_the_end(write: Write) -> None:
    def glance(*parts: Any) -> str:
        html = change_page(*reported(case, *parts))
        return Page(html.split("<ul class='glance'>")[1].split("</ul>")[0]).text

    case = write()
    whole = glance(patches())
    assert re.search(r"\u2212[\d.]+ ml net volume, \u2212[\d.]+ % of \d+ ml below level", whole)
    assert re.search(r"\+4.\d mm largest build-up: front|\+5.0 mm largest build-up: no region", whole)
    assert re.search(r"\u22124.5 mm largest reduction: outside, level \d+ mm, \d+°; 1.5 mm of it overall", whole)
    assert re.search(r"\+5.0 mm end lengthened, from level 150 mm", whole)
    alone = glance(made.plan(made.build_up("front", 4.0, Spot(40.0, 0.0))))
    assert re.search(r"\+4.0 mm largest build-up: front, level \d+ mm, \d+° none largest reduction", alone)


@pytest.mark.usefixtures("no_pictures")
def test_absent_figures_are_dashes_and_words_and_never_none(write: Write) -> None:
    case = write(marks="fibular-head: absent\n")
    text = Page(change_page(*reported(case, made.plan()))).text
    assert "absent: this limb has no such place" in text and "The end was left alone" in text
    assert "The rulebook forms no region" in text and "reduces nothing overall" in text
    assert "no hand measurements" in text and "Nothing was found that needs a look" in text
    assert not re.search(r"\bNone\b|\bnan\b|\bnull\b", text)


def test_colours_of_text_stand_out_on_what_they_lie_on() -> None:
    css = style("x")
    named = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", css))
    for ground in ("#ffffff", named["plaster"], "#fdf3e2"):
        for ink in ("ink", "soft", "pencil", "stop", "look"):
            light, dark = luminance(hexed(ground)), luminance(hexed(named[ink]))
            assert (light + 0.05) / (dark + 0.05) > 4.5, (ink, ground)  # WCAG 2.2, success criterion 1.4.3


def test_the_running_head_cannot_leave_its_quotes() -> None:
    assert '"; } body { display: none' not in style('"; } body { display: none')
