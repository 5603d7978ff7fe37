"""The viewer's modules as the workbench uses them: fetched one by one, driven by script and by hand."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from rectify.geometry.sections import cut
from rectify.viewer import pack
from tests.viewer.browsing import DRAWS, HOST, Opened, browser, opened, serve
from tests.viewer.conftest import demo, scene

PAGE = """<!DOCTYPE html><meta charset=utf-8><link rel=icon href=data:,><link rel=stylesheet href=viewer.css>
<div id=place style="width:700px;height:600px"></div><script type=module>
import { createViewer } from "./viewer.js";
import { readPayload } from "./payload.js";
import { sectionAt } from "./section.js";
const payload = readPayload(await (await fetch("payload")).arrayBuffer());
window.sectionAt = sectionAt;
window.told = [];
window.viewer = createViewer(document.getElementById("place"), payload, { side: "anterior", wheel: "always" });
for (const name of ["hover", "choose", "level"]) viewer.on(name, (what) => told.push([name, what]));
document.body.id = "ready";
</script>"""


@pytest.fixture(scope="module")
def shown() -> Iterator[Opened]:
    with browser(*DRAWS) as made:
        found = opened(made, 760, 660)
        serve(found, {"index.html": PAGE, "payload": pack(scene("RB-102"))})
        found.page.goto(f"{HOST}/index.html")
        found.page.wait_for_selector("#ready", state="attached")
        found.settle()
        yield found
        assert found.said == []  # nothing complained, whatever the tests did


@pytest.fixture(autouse=True)
def afresh(shown: Opened) -> None:
    """Every test begins in front, with the whole limb, nothing chosen."""
    shown.ask("""() => { viewer.camera.stop(); viewer.camera.stand("anterior"); viewer.setMode("change");
        viewer.choose(null); viewer.setLevel(16); told.length = 0;
        viewer.setShown({ outlines: true, names: true, landmarks: true, section: true }); }""")


def near(found: Opened, level: float) -> list[float]:
    """Where the section's line passes in front of the eye, in the page's pixels."""
    place = found.ask(
        """(level) => { viewer.setLevel(level); const { toward } = viewer.camera.basis; let best = null;
        for (const { points } of viewer.sections.rectified) for (let i = 0; i < points.length; i += 3) {
          const p = [points[i], points[i + 1], points[i + 2]];
          const ahead = p.reduce((sum, x, k) => sum + x * toward[k], 0);
          if (!best || ahead > best[0]) best = [ahead, viewer.placeOf(p)]; }
        const box = viewer.canvas.getBoundingClientRect(); return [box.left + best[1][0], box.top + best[1][1]]; }""",
        level,
    )
    return [float(x) for x in place]


def test_the_picture_shows_what_was_added_and_what_was_taken(shown: Opened) -> None:
    rgb = shown.pixels("#place")
    red_less_blue = rgb[..., 0] - rgb[..., 2]
    assert (red_less_blue > 60).sum() > 4_000  # pixels of brown: the tibial crest alone has more
    assert (red_less_blue < -40).sum() > 4_000  # of teal
    shown.ask("() => viewer.setMode('captured')")
    shown.settle()
    assert (np.abs(shown.pixels("#place")[..., 0] - shown.pixels("#place")[..., 2]) > 60).sum() < 800  # outlines only


def test_pointing_reads_what_the_engine_did_there(shown: Opened) -> None:
    outcome = demo("RB-102").outcome
    v, moved = outcome.mesh.vertices, outcome.move
    front = np.flatnonzero((v[:, 1] > 25.0) & (np.abs(v[:, 0]) < 25.0) & (v[:, 2] < 40.0))
    angle = np.degrees(np.arctan2(*(outcome.limb.mesh.vertices[front, :2] * [outcome.limb.chart.lateral, 1.0]).T))
    picked = front[np.linspace(0, len(front) - 1, 60).astype(int)]
    angles = dict(zip(front.tolist(), angle % 360.0, strict=True))
    read = shown.ask("(points) => points.map((p) => viewer.readAt(...viewer.placeOf(p)))", v[picked].tolist())
    same = 0
    for i, at in zip(picked.tolist(), read, strict=True):
        if at is None or np.linalg.norm(np.array(at["point"]) - v[i]) > 0.5:
            continue  # something else lies in front of it
        same += 1
        assert at["level_mm"] == pytest.approx(-outcome.limb.mesh.vertices[i, 2], abs=0.1)  # mm; 16 bits and a pixel
        assert abs((at["angle_deg"] - angles[i] + 180.0) % 360.0 - 180.0) < 0.2  # degrees
        assert at["move_mm"] == pytest.approx(moved[i], abs=0.02)  # mm
    assert same > 40


def test_the_largest_moves_of_the_report_are_read_under_the_pointer(shown: Opened) -> None:
    facts, outcome = demo("RB-102").report, demo("RB-102").outcome
    for key, sign in (("build_up", 1.0), ("reduction", -1.0)):
        fact = facts["extremes"][key]
        worked = sign * outcome.worked
        there = int(np.argmax(worked >= worked.max() - 1e-6))  # mm: the first of those that tie, as in the report
        point = outcome.mesh.vertices[there]
        shown.ask("(angle) => { viewer.camera.angle = angle; viewer.changed(); }", fact["angle_deg"])
        x, y = shown.ask("(p) => viewer.placeOf(p)", point.tolist())
        shown.page.locator("canvas").hover(position={"x": x, "y": y})
        name, at = shown.ask("() => told.at(-1)")
        assert name == "hover" and at["region"] == fact["region"]
        assert at["move_mm"] == pytest.approx(outcome.move[there], abs=0.05)  # mm: to the pixel, half a mm
        assert outcome.move[there] == pytest.approx(sign * fact["amount_mm"], abs=0.01)  # no brim is formed there
        assert at["level_mm"] == pytest.approx(fact["level_mm"], abs=1.0)
        tip = shown.page.locator(".rv-tip").inner_text().replace("\u2212", "-")
        assert tip.startswith(f"{sign * fact['amount_mm']:+.1f} mm  {fact['region']}")


def test_beside_the_model_there_is_nothing_to_read(shown: Opened) -> None:
    shown.page.locator("canvas").hover(position={"x": 5, "y": 5})
    assert shown.ask("() => told.at(-1)") == ["hover", None]
    assert not shown.page.locator(".rv-tip").is_visible()


def test_a_press_on_a_region_chooses_it_and_beside_all_lets_go(shown: Opened) -> None:
    region = demo("RB-102").report["regions"]["tibial-crest"]
    x, y = shown.ask("(p) => viewer.placeOf(p)", region["core_xyz"])
    shown.page.locator("canvas").click(position={"x": x, "y": y})
    assert shown.ask("() => viewer.chosen") == "tibial-crest"
    assert [name for name, what in shown.ask("() => told") if name == "choose" and what["name"] == "tibial-crest"]
    shown.settle()
    assert shown.page.locator(".rv-name.rv-chosen").evaluate("(e) => e.textContent").startswith("tibial-crest")
    shown.page.locator("canvas").click(position={"x": 5, "y": 5})
    assert shown.ask("() => viewer.chosen") is None


def test_dragging_the_line_moves_the_section_by_as_many_millimetres(shown: Opened) -> None:
    x, y = near(shown, 40.0)
    scale = shown.ask("() => viewer.camera.scale")
    shown.page.mouse.move(x, y)
    assert shown.ask("() => viewer.canvas.style.cursor") == "ns-resize"
    shown.page.mouse.down()
    shown.page.mouse.move(x, y + 30.0 * scale, steps=6)
    shown.page.mouse.up()
    assert shown.ask("() => viewer.level") == pytest.approx(70.0, abs=1.01)  # mm: to the next level with figures
    assert shown.ask("() => viewer.camera.angle") == 0.0  # and the limb did not turn


def test_dragging_elsewhere_turns_the_limb_and_leaves_the_section(shown: Opened) -> None:
    x, y = near(shown, 40.0)
    shown.page.mouse.move(x, y + 60)
    shown.page.mouse.down()
    shown.page.mouse.move(x + 80, y + 60, steps=4)
    shown.page.mouse.up()
    assert shown.ask("() => viewer.level") == 40.0 and shown.ask("() => viewer.camera.angle") != 0.0


@pytest.mark.parametrize(
    ("key", "angle", "rise"), [("l", 90, 0), ("p", 180, 0), ("m", 270, 0), ("a", 0, 0), ("e", 0, -90)]
)
def test_letters_look_from_the_sides(shown: Opened, key: str, angle: float, rise: float) -> None:
    shown.page.locator("canvas").press(key)
    shown.settle()
    there = shown.ask("() => [viewer.camera.angle, viewer.camera.rise]")
    assert there == pytest.approx([angle, rise], abs=1e-6)


def test_keys_turn_zoom_and_move_the_section(shown: Opened) -> None:
    canvas = shown.page.locator("canvas")
    for key, script, wanted in (
        ("ArrowRight", "() => viewer.camera.angle", 10.0),
        ("ArrowUp", "() => viewer.camera.rise", 10.0),
        ("+", "() => viewer.camera.zoom", 1.2),
        ("PageDown", "() => viewer.level", 18.0),
        ("PageUp", "() => viewer.level", 16.0),
    ):
        canvas.press(key)
        assert shown.ask(script) == pytest.approx(wanted)


def test_zooming_keeps_what_is_under_the_pointer(shown: Opened) -> None:
    point = demo("RB-102").report["regions"]["distal-tibia"]["core_xyz"]
    x, y = shown.ask("(p) => viewer.placeOf(p)", point)
    shown.page.locator("canvas").hover(position={"x": x, "y": y})
    shown.page.mouse.wheel(0, -400)
    shown.settle()
    assert shown.ask("() => viewer.camera.zoom") > 1.5
    assert shown.ask("(p) => viewer.placeOf(p)", point) == pytest.approx([x, y], abs=1.0)  # pixels


def test_the_drawn_section_is_the_engines(shown: Opened) -> None:
    outcome = demo("RB-102").outcome
    levels = np.array([-40.0, 0.0, 60.0, 150.0])
    for name, mesh in (("captured", outcome.limb.mesh), ("rectified", outcome.mesh)):
        cuts = cut(mesh, -mesh.vertices[:, 2], levels)
        for i, level in enumerate(levels):
            lines = shown.ask(
                f"(z) => sectionAt(viewer.payload.{name}, viewer.payload.faces, z)"
                ".map(({ points, closed }) => [[...points], closed])",
                level,
            )
            ((flat, closed),) = lines
            points = np.array(flat).reshape(-1, 3)
            length = np.linalg.norm(np.diff(points, axis=0), axis=1).sum()
            assert closed and length == pytest.approx(cuts.perimeters()[i], abs=0.2)  # mm: of 16 bits, over 100 pieces
            assert np.abs(points[:, 2] + level).max() < 1e-3


def test_figures_by_level_are_those_of_the_report(shown: Opened) -> None:
    for row in demo("RB-102").report["levels"]:
        shown.ask("(z) => viewer.setLevel(z)", row["level_mm"])
        name, what = shown.ask("() => told.at(-1)")
        assert name == "level" and what["level_mm"] == row["level_mm"]
        for key in ("circumference_before_mm", "circumference_after_mm", "ap_after_mm", "ml_before_mm"):
            assert what["row"][key] == pytest.approx(row[key], abs=1e-3)
        said = shown.page.locator(".rv-read").evaluate("(e) => e.textContent").replace("\u2212", "-")
        assert f"circumference {row['circumference_before_mm']:.1f}" in said


def test_other_positions_are_taken_over_by_everything_that_rides_on_the_surface(shown: Opened) -> None:
    point = [0.0, 0.0, 0.0]
    shown.ask("""() => { window.before = { p: viewer.payload.rectified, m: viewer.payload.moves };
        const p = before.p.slice(); for (let i = 2; i < p.length; i += 3) p[i] -= 10;
        viewer.setPositions(p, before.m.map((m) => m + 1)); }""")
    try:
        region = demo("RB-102").report["regions"]["tibial-crest"]
        x, y, z = region["core_xyz"]
        at = shown.ask("(p) => viewer.readAt(...viewer.placeOf(p))", [x, y, z - 10.0])
        assert at["region"] == "tibial-crest" and at["point"][2] == pytest.approx(z - 10.0, abs=3.0)
        assert at["move_mm"] == pytest.approx(region["achieved_from_capture_mm"] + 1.0, abs=0.3)
        assert shown.ask("(p) => viewer.placeOf(p)", point) is not None
    finally:
        shown.ask("() => viewer.setPositions(before.p, before.m)")


def test_what_is_switched_off_is_not_drawn(shown: Opened) -> None:
    shown.settle()
    visible = "() => [...document.querySelectorAll('.rv-name')].filter((g) => g.style.display !== 'none').length"
    assert shown.ask(visible) > 5
    with_lines = shown.pixels("#place")
    shown.ask("() => viewer.setShown({ names: false, outlines: false, landmarks: false })")
    shown.settle()
    assert shown.ask(visible) == 0
    pictures = (rgb[8:-8, 8:-8] for rgb in (with_lines, shown.pixels("#place")))  # without the frame of the focus
    pencil = [int((np.abs(rgb - [90, 42, 134]).max(axis=-1) < 30).sum()) for rgb in pictures]
    assert pencil[0] > 300 and pencil[1] < 20  # pixels of the pencil's violet


def test_no_two_names_lie_over_each_other_from_any_side(shown: Opened) -> None:
    for side in ("anterior", "lateral", "posterior", "medial", "end"):
        shown.ask("(side) => { viewer.camera.stand(side); viewer.changed(); }", side)
        shown.settle()
        boxes: list[dict[str, Any]] = shown.ask("""() => [...document.querySelectorAll(".rv-name text, .rv-mark text")]
            .filter((t) => t.textContent && t.getClientRects().length && t.parentNode.style.display !== "none")
            .map((t) => t.getBoundingClientRect()).map((b) => ({ l: b.left, r: b.right, t: b.top, b: b.bottom }))""")
        assert len(boxes) > 4
        for i, one in enumerate(boxes):
            for other in boxes[i + 1 :]:
                across = min(one["r"], other["r"]) - max(one["l"], other["l"])
                down = min(one["b"], other["b"]) - max(one["t"], other["t"])
                assert across < 1.0 or down < 4.0  # px: boxes hold room above and below the letters


def test_a_second_viewer_lives_and_goes_without_the_first_noticing(shown: Opened) -> None:
    shown.ask("""async () => { const { createViewer } = await import("./viewer.js");
        const { readPayload } = await import("./payload.js");
        const place = document.createElement("div"); place.style.cssText = "width:200px;height:200px";
        document.body.append(place);
        const two = createViewer(place, readPayload(await (await fetch("payload")).arrayBuffer()), { mode: "both" });
        await new Promise((done) => setTimeout(done, 300)); two.dispose();
        window.left = place.childElementCount; place.remove(); }""")
    assert shown.ask("() => left") == 0
    shown.ask("() => viewer.changed()")
    shown.settle()
    assert (shown.pixels("#place")[..., 0] - shown.pixels("#place")[..., 2] > 60).sum() > 4_000
    while shown.said and "context" in shown.said[-1].lower():
        shown.said.pop()  # the browser says that a picture was given back


def test_a_wrong_payload_is_refused_in_words(shown: Opened) -> None:
    says = shown.ask("""async () => { const { readPayload } = await import("./payload.js");
        const bad = (bytes) => { try { readPayload(bytes.buffer); return ""; }
          catch (error) { return error.message; } };
        const good = new Uint8Array(await (await fetch("payload")).arrayBuffer());
        const newer = good.slice(); newer.set(new TextEncoder().encode('{"format":2'), 8);
        return [bad(new Uint8Array(4)), bad(new Uint8Array(64)), bad(newer)]; }""")
    assert says[:2] == ["this is no viewer payload"] * 2 and "format 2" in says[2]
