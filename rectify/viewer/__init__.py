"""The 3D viewer that the change report and the workbench share: what it is given, and its scripts.

**In Python.** `scene_of(outcome)` gathers what there is to show, `pack(scene)` makes one block of bytes of it (served
as it is, or through `packed_text` as text in a page), `static_folder()` holds the scripts, `joined_script("report")`
puts them together for a page that must stand alone.

**In the browser.** ES modules, no build step:

    import { readPayload } from "./payload.js";
    import { createViewer } from "./viewer.js";
    const bytes = await (await fetch("payload")).arrayBuffer();
    const viewer = createViewer(element, readPayload(bytes), { mode: "change", wheel: "always" });

    viewer.setPositions(positions, moves)   Float32Array (3 per vertex, mm) and (1 per vertex, mm), in the view's order
    viewer.setRegions(payload)              other regions, outlines and landmarks: a payload of the same view
    viewer.setLevels(rows)                  other figures by level
    viewer.setScale(top_mm)                 where the colours end, either way
    viewer.setMode(name)                    "change", "both", "captured", "plain"
    viewer.setOpacity({captured, rectified})
    viewer.setShown({outlines, names, landmarks, contours, section})
    viewer.choose(region or null)           viewer.setLevel(mm)          viewer.nudge(steps)
    viewer.look(side)                       "anterior", "lateral", "posterior", "medial", "end"
    viewer.readAt(x, y)                     {level_mm, angle_deg, move_mm, region, point} or null
    viewer.placeOf([x, y, z])               where a point of the limb frame lies in the picture
    viewer.on(name, act)                    "hover" (as readAt, or null), "choose" ({name, where}),
                                            "level" ({level_mm, row, captured, rectified}), "view"; returns a stop
    viewer.dispose()

`controls.js` has the buttons, `section_panel.js` the section with its slider and figures, `legend.js` the scale,
`viewer.css` what they look like. Keys, once the picture has the focus: arrows turn, + and - zoom, A L P M E look
from a side, Page Up and Page Down move the level, 0 goes back to the front, Escape chooses nothing.

**The payload.** All numbers little-endian:

    4 bytes   RVW1
    4 bytes   length of the head, uint32
    head      JSON, ASCII, padded with spaces to a multiple of 4 bytes
    arrays    one after the other, each padded to a multiple of 4 bytes

The head:

    format          1
    about           {case, side, amputation}
    words           {change, both, captured, change_means, ..., before, after, less, more}: buttons, headings
    lateral         +1 where +x is lateral (a right limb), -1 on a left one
    frame           4 x 4, from the scan's own axes to the limb frame
    view            {faces, of, simplified}: the faces shown, of how many the surface has
    scale           {top_mm, contour_mm, stops, ends}: the colours end at +-top, called `ends`; stops are 9 colours,
                    [r, g, b] from 0 to 255, evenly from the deepest reduction to the highest build-up; a contour every
                    contour_mm from 0.5 mm on
    regions         [{name, action, label, spot}], in the rulebook's order; the spot is where the name belongs
    landmarks       [{name, source, uncertainty_mm, spot}]; source: marked, mark, computed, estimated
    outlines        [{region, first, count}]: a line of spots, of region number `region`
    trimline        {first, count} or null
    level_columns   names of the columns of `levels`
    arrays          {name: {kind, at, count[, scale, offset]}}: kind u8 u16 i16 u32 f32; `at` bytes from the end of the
                    head; with a scale, value = raw * scale[column] + offset[column], columns in turn

The arrays, for v vertices, f faces, s spots and k levels:

    captured        (v, 3) mm, limb frame
    shift           (v, 3) mm; rectified = captured + shift
    move            (v,) mm along the captured surface's normal, outward positive
    faces           (f, 3) outward
    region_of       (v,) 1 + the region that weighs most there, 0 where none does
    filled          (v,) 1 where a hole of the scan was filled; absent where none was
    spot_corners    (s, 3) vertices of the face that a spot lies in
    spot_weights    (s, 3) their weights
    levels          (k, 9) exact figures of the whole surfaces, whatever is shown; NaN where there is none

A surface with more than `MOST_FACES` faces is shown with fewer (`simplify`): the vertices that are kept lie where
they lay, so what hovering reads at them is the engine's, and figures by level come from the whole surface.
"""

from __future__ import annotations

from rectify.viewer.payload import pack, packed_text
from rectify.viewer.scene import MOST_FACES, Scene, Words, scene_of
from rectify.viewer.script import joined_script, script_digest, static_folder, viewer_style

__all__ = [
    "MOST_FACES",
    "Scene",
    "Words",
    "joined_script",
    "pack",
    "packed_text",
    "scene_of",
    "script_digest",
    "static_folder",
    "viewer_style",
]
