"""Bad input, line by line: a sentence with what, where, wanted, found and how to mend it; exit code 2; nothing written.

Every test starts from a good demo case, spoils one thing, runs the command in an empty folder and compares every file
before and after.
"""

from __future__ import annotations

import io
import os
import re
import shutil
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from rectify.data import demo_folder, rules_folder
from rectify.geometry.edges import border_loops
from rectify.geometry.mesh import Mesh
from rectify.geometry.read import read_mesh
from rectify.synthetic.files import stl_bytes
from tests.running import Ended, contents, run_in

Spoil = Callable[[Path], None]
ROW = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])


@pytest.fixture
def case(tmp_path: Path) -> Path:
    """A copy of the first demo case, to be spoilt."""
    return Path(shutil.copytree(demo_folder() / "RB-101", tmp_path / "RB-101"))


def refused(case: Path, *words: str | Path) -> Ended:
    """The command refuses the case and changes no file, of the case's or any other."""
    here = case.parent / "here"
    here.mkdir(exist_ok=True)
    before = contents(case.parent)
    ended = run_in(here, "apply", case, *words)
    assert contents(case.parent) == before, "files were changed"
    assert list(here.iterdir()) == [], "something was written"
    assert (ended.code, ended.out) == (2, ""), ended.err
    assert "Traceback" not in ended.err and "internal fault" not in ended.err
    return ended


def squeezed(text: str) -> str:
    return " ".join(text.split())


def says(ended: Ended, *sentences: str) -> None:
    """Every sentence stands in the message, whatever its line breaks."""
    for sentence in sentences:
        assert sentence in squeezed(ended.err), f"{sentence!r} is not in:\n{ended.err}"


# -- the scan's file -------------------------------------------------------------------------------


def scan_of(case: Path) -> Mesh:
    return read_mesh(case / "scan.stl").mesh


def rewrite(case: Path, mesh: Mesh) -> None:
    (case / "scan.stl").write_bytes(stl_bytes(mesh))


def change_text(file: Path, pattern: str, replacement: str) -> None:
    text = file.read_text(encoding="utf-8")
    changed, count = re.subn(pattern, replacement, text, flags=re.M)
    assert count >= 1, pattern
    file.write_text(changed, encoding="utf-8")


def cut_off(case: Path) -> None:
    data = (case / "scan.stl").read_bytes()
    (case / "scan.stl").write_bytes(data[:-1000])


def speak_of_too_many(case: Path) -> None:
    data = bytearray((case / "scan.stl").read_bytes())
    data[80:84] = struct.pack("<I", 4_294_967_295)
    (case / "scan.stl").write_bytes(data)


def add_bytes(case: Path) -> None:
    with (case / "scan.stl").open("ab") as file:
        file.write(b"x" * 7)


def put_number(case: Path, number: float) -> None:
    data = (case / "scan.stl").read_bytes()
    rows = np.frombuffer(data, ROW, offset=84).copy()
    rows["corners"][17, 1, 2] = number
    (case / "scan.stl").write_bytes(data[:84] + rows.tobytes())


def text_as_stl(case: Path) -> None:
    (case / "scan.stl").write_text("Dear colleague,\nthe scan is attached.\n" * 40)


def ply_called_stl(case: Path) -> None:
    (case / "scan.stl").write_bytes(b"ply\nformat ascii 1.0\nelement vertex 0\nend_header\n")


def stl_called_ply(case: Path) -> None:
    (case / "scan.stl").rename(case / "scan.ply")
    change_text(case / "case.yaml", "file: scan.stl", "file: scan.ply")


def unknown_ending(case: Path) -> None:
    (case / "scan.stl").rename(case / "scan.dat")
    change_text(case / "case.yaml", "file: scan.stl", "file: scan.dat")


FILES: dict[str, tuple[Spoil, tuple[str, ...]]] = {
    "truncated STL": (
        cut_off,
        ("scan.stl ends before it is complete", "wanted: ", "found: ", "copy or export it again"),
    ),
    "absurd count": (speak_of_too_many, ("speaks of 4,294,967,295 triangles", "wanted: 20,000,000 or fewer")),
    "longer than its count": (add_bytes, ("is longer than its", "the count or the end of the file is wrong")),
    "NaN": (lambda c: put_number(c, float("nan")), ("coordinates that are not numbers", "nan", "at triangle 17")),
    "infinite": (lambda c: put_number(c, float("inf")), ("coordinates that are not numbers", "inf", "at triangle 17")),
    "empty": (lambda c: (c / "scan.stl").write_bytes(b""), ("looks like nothing: it is empty",)),
    "header only": (lambda c: (c / "scan.stl").write_bytes(b"\0" * 84), ("holds no triangles",)),
    "half a header": (lambda c: (c / "scan.stl").write_bytes(b"\0" * 40), ("ends before it is complete", "40 bytes")),
    "text": (text_as_stl, ("is not what its name says", "wanted: STL", "looks like text")),
    "another format": (ply_called_stl, ("is not what its name says", "looks like PLY", "call it scan.ply")),
    "wrong extension": (stl_called_ply, ("is not what its name says", "looks like binary STL", "call it scan.stl")),
    "unknown extension": (unknown_ending, ("files ending in .dat are not read", ".stl, .ply, .obj, .3mf, .glb, .off")),
    "missing": (lambda c: (c / "scan.stl").unlink(), ("there is no such file", "case.yaml")),
    "a folder": (lambda c: ((c / "scan.stl").unlink(), (c / "scan.stl").mkdir()), ("scan.stl",)),
}


@pytest.mark.parametrize("name", FILES)
def test_a_scan_that_is_no_good_file_is_refused(case: Path, name: str) -> None:
    spoil, sentences = FILES[name]
    spoil(case)
    says(refused(case), *sentences)


def bomb(case: Path) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("3D/3dmodel.model", b"<model>" + b" " * 50_000_000 + b"</model>")
    (case / "scan.3mf").write_bytes(packed.getvalue())
    change_text(case / "case.yaml", "file: scan.stl", "file: scan.3mf")


def no_archive(case: Path) -> None:
    (case / "scan.3mf").write_bytes(b"PK\x03\x04" + b"\0" * 500)
    change_text(case / "case.yaml", "file: scan.stl", "file: scan.3mf")


def test_a_3mf_that_unpacks_without_end_is_refused_by_its_own_numbers(case: Path) -> None:
    bomb(case)
    assert (case / "scan.3mf").stat().st_size < 100_000
    says(
        refused(case),
        "scan.3mf unpacks to far more than a model takes",
        "found: 48 MB out of 0.0",
        "do not unpack it",
    )


def test_a_damaged_archive_is_refused(case: Path) -> None:
    no_archive(case)
    says(refused(case), "scan.3mf the archive is damaged", "export it again")


# -- the surface -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("units", "metres"), [("m", "194 m"), ("cm", "1.94 m"), ("inch", "4.94 m")])
def test_units_that_make_a_leg_of_metres_are_refused(case: Path, units: str, metres: str) -> None:
    change_text(case / "case.yaml", "units: mm", f"units: {units}")
    ended = refused(case)
    says(
        ended,
        f"the scan is {metres}",
        "m long",
        "wanted: 60 to 900 mm",
        "are the scan's `units` right? mm, cm, m or inch",
    )


def test_units_that_make_a_leg_of_a_few_millimetres_are_refused(case: Path) -> None:
    small = scan_of(case)
    rewrite(case, small.with_vertices(small.vertices / 10))
    says(refused(case), "the scan is ", "mm long", "wanted: 60 to 900 mm")


def test_a_format_without_units_must_be_told_them(case: Path) -> None:
    change_text(case / "case.yaml", r"^  units: mm\n", "")
    says(refused(case), "scan.units: says no units, and STL files carry none", "wanted: mm | cm | m | inch")


def test_two_limbs_in_one_scan_are_refused(case: Path) -> None:
    limb = scan_of(case)
    beside = limb.vertices + np.array([300.0, 0.0, 0.0])
    both = np.concatenate([limb.vertices, beside]), np.concatenate([limb.faces, limb.faces + len(limb.vertices)])
    rewrite(case, Mesh(*both))
    says(refused(case), "the scan has two bodies", "wanted: one limb", "delete what is not the limb")


def wide_hole(case: Path) -> None:
    """Take away the skin within 35 mm of the fibular head: a hole where the limb is needed."""
    limb = scan_of(case)
    (found,) = re.findall(r"^fibular-head: \[(.*)\]", (case / "landmarks.yaml").read_text(), flags=re.M)
    head = np.array([float(word) for word in found.split(",")])
    centres = limb.vertices[limb.faces].mean(axis=1)
    rewrite(case, Mesh(limb.vertices, limb.faces[np.linalg.norm(centres - head, axis=1) > 35.0]))


def test_a_hole_where_the_limb_is_needed_is_refused_with_its_width_and_place(case: Path) -> None:
    wide_hole(case)
    says(refused(case), "hole", "wanted: at most", "mm, near (", "in the scan's axes", "scan again")


def test_a_scan_that_is_closed_at_the_top_is_refused_or_opened_by_its_lid(case: Path) -> None:
    limb = scan_of(case)
    (loop,) = border_loops(limb)
    middle = limb.vertices[loop].mean(axis=0)  # a lid of one fan: flat, as a scanner's software closes a top
    fan = np.stack([np.roll(loop, -1), loop, np.full(len(loop), len(limb.vertices))], axis=1)
    rewrite(case, Mesh(np.vstack([limb.vertices, middle]), np.concatenate([limb.faces, fan])))
    here = case.parent / "here"
    here.mkdir()
    ended = run_in(here, "apply", case, "--without", "page", "--json")
    if ended.code == 2:
        says(ended, "the scan is closed at the top", "cut the top open")
    else:
        assert ended.code == 4 and "lid" in squeezed((here / "RB-101-rectified" / "change-report.json").read_text())


def test_a_scan_that_is_inside_out_is_turned_over_and_the_report_says_so(case: Path) -> None:
    """Not refused: which side is out follows from the shape. The result is the same surface."""
    here = case.parent / "here"
    here.mkdir()
    run_in(here, "apply", case, "--out", "right", "--without", "page")
    limb = scan_of(case)
    rewrite(case, Mesh(limb.vertices, limb.faces[:, ::-1]))
    ended = run_in(here, "apply", case, "--out", "turned", "--without", "page")
    assert ended.code == 4
    assert "inside out: turned over" in (here / "turned" / "change-report.json").read_text(encoding="utf-8")
    right, turned = (read_mesh(here / name / "RB-101-rectified.stl").mesh.vertices for name in ("right", "turned"))
    order = [np.lexsort(np.round(v, 3).T) for v in (right, turned)]
    assert np.abs(right[order[0]] - turned[order[1]]).max() < 0.01  # mm; the corners of a face come in another order


def test_a_piece_of_a_limb_too_coarse_to_work_on_is_refused(case: Path) -> None:
    limb = scan_of(case)
    rewrite(case, Mesh(limb.vertices, limb.faces[:40]))
    refused(case)


# -- landmarks -------------------------------------------------------------------------------------


def move_landmark(case: Path, name: str, by: tuple[float, float, float]) -> None:
    def moved(found: re.Match[str]) -> str:
        numbers = [float(word) + step for word, step in zip(found[2].split(","), by, strict=True)]
        return f"{found[1]}[{', '.join(f'{number:.3f}' for number in numbers)}]"

    file = case / "landmarks.yaml"
    text, count = re.subn(rf"(?m)^({name}: )\[(.*)\]$", moved, file.read_text())
    assert count == 1
    file.write_text(text)


def outward_at(case: Path, name: str) -> np.ndarray:
    """Unit direction from the scan's middle line to a landmark, square to the limb's long way."""
    limb = scan_of(case).vertices
    (found,) = re.findall(rf"^{name}: \[(.*)\]", (case / "landmarks.yaml").read_text(), flags=re.M)
    place = np.array([float(word) for word in found.split(",")])
    long_way = np.linalg.svd(limb - limb.mean(axis=0), full_matrices=False)[2][0]
    across = place - limb.mean(axis=0)
    across -= (across @ long_way) * long_way
    return across / np.linalg.norm(across)


def test_a_landmark_off_the_surface_is_refused_and_the_message_says_how_far(case: Path) -> None:
    move_landmark(case, "fibular-head", tuple(25.0 * outward_at(case, "fibular-head")))
    ended = refused(case)
    found = re.search(r"fibular-head: lies (\d+) mm off the surface", ended.err)
    assert found and 20 <= int(found[1]) <= 25  # straight out by 25 mm; the skin may lie nearer beside it
    says(ended, "wanted: at most 10 mm", "own units and axes?", "beyond-capture: yes")


def test_landmarks_of_another_pose_are_all_told(case: Path) -> None:
    file = case / "landmarks.yaml"
    names = [line.split(":")[0] for line in file.read_text().splitlines() if re.match(r"[a-z-]+: \[", line)]
    for name in names:
        move_landmark(case, name, (0.0, 400.0, 0.0))
    ended = refused(case)
    assert "off the surface" in ended.err or "landmark" in ended.err


def test_left_and_right_mixed_up_is_refused(case: Path) -> None:
    change_text(case / "case.yaml", "side: left", "side: right")
    says(refused(case), "side: left and right are mixed up", "on the other side: ", "is `side` right")


def test_a_mirrored_scan_is_refused(case: Path) -> None:
    limb = scan_of(case)
    rewrite(case, Mesh(limb.vertices * [-1.0, 1.0, 1.0], limb.faces[:, ::-1]))
    ended = refused(case)
    says(ended, "off the surface")


def test_one_landmark_on_the_wrong_side_is_refused(case: Path) -> None:
    file = case / "landmarks.yaml"
    text = file.read_text()
    (inner,) = re.findall(r"^medial-hamstring: (.*)$", text, flags=re.M)
    (outer,) = re.findall(r"^lateral-hamstring: (.*)$", text, flags=re.M)
    assert inner != outer
    change_text(file, r"^medial-hamstring: .*$", f"medial-hamstring: {outer}")
    says(
        refused(case),
        "medial-hamstring: lies on the wrong side, ",
        "mm past the middle, at ",
        "wanted: the medial side",
        "mark it again",
    )


def test_landmarks_in_the_wrong_order_are_refused(case: Path) -> None:
    file = case / "landmarks.yaml"
    (high,) = re.findall(r"^patella-centre: (.*)$", file.read_text(), flags=re.M)
    change_text(file, r"^tibial-tubercle: .*$", f"tibial-tubercle: {high}")
    says(refused(case), "tibial-tubercle: lies ", " mm proximal of mid-patellar-tendon", "mark both again")


LANDMARKS = {
    "unknown": (r"^fibular-head:", "fibula-head:", ("no landmark fibula-head", "did you mean fibular-head?")),
    "two numbers": (
        r"^fibular-head: \[[^,]+, ",
        "fibular-head: [",
        ("fibular-head: ", "not three numbers", "[x, y, z]"),
    ),
    "a word": (r"^fibular-head: \[[^,]+", "fibular-head: [left", ("has 'left' where a number should be",)),
    "not finite": (r"^fibular-head: \[[^,]+", "fibular-head: [.nan", ("fibular-head", "is not a finite number")),
    "twice": (r"\Z", "fibular-head: absent\n", ("fibular-head: stands here for the second time", "first in line")),
    "empty": (r"^fibular-head: .*$", "fibular-head:", ("fibular-head: is empty",)),
    "no origin": (r"^mid-patellar-tendon: .*\n", "", ("mid-patellar-tendon",)),
}


@pytest.mark.parametrize("name", LANDMARKS)
def test_landmarks_that_cannot_be_read_are_refused_with_their_line(case: Path, name: str) -> None:
    pattern, replacement, sentences = LANDMARKS[name]
    change_text(case / "landmarks.yaml", pattern, replacement)
    ended = refused(case)
    says(ended, *sentences)
    assert name == "no origin" or re.search(r"landmarks\.yaml:\d+", ended.err)


# -- the case file ---------------------------------------------------------------------------------

CASES = {
    "duplicate key": (r"^side: left$", "side: left\nside: left", ("side: stands here for the second time",)),
    "anchor": (r"^side: left$", "side: &side left", ("uses the anchor &side", "write the value out")),
    "alias": (r"^side: left$", "side: *side", ("uses the alias *side", "write the value out")),
    "merge key": (r"^scan:$", "scan:\n  <<: {units: mm}", ("uses the merge key <<",)),
    "tag": (r"^side: left$", "side: !!python/name:os.system left", ("uses the tag", "take it out")),
    "tab": (r"^side: left$", "side:\tleft", ("contains a tab", "spaces")),
    "two documents": (r"\Z", "---\nside: left\n", ("holds several documents",)),
    "unclosed": (r"^side: left$", "side: [left", ("case.yaml:",)),
    "unknown key": (r"^side: left$", "side: left\ncolour: red", ("colour: is not a key here", "keys here: ")),
    "missing key": (r"^side: left\n", "", ("side: is missing",)),
    "unknown word": (r"^suspension: .*$", "suspension: magnet", ("suspension: is 'magnet'", "pin")),
    "unknown side": (r"^side: left$", "side: l", ("side: ", "left")),
    "unknown amputation": (r"^amputation: .*$", "amputation: below-knee", ("amputation: ", "transtibial")),
    "code with a space": (r"^case: .*$", "case: Anna B", ("case: is 'Anna B', which is no code", "never a name")),
    "code without a number": (r"^case: .*$", "case: anna", ("which is no code", "DM-014")),
    "unit missing": (r"value: 363 mm", "value: 363", ("tape[0].value: ", "mm")),
    "tape elsewhere": (
        r"at: medial-condyle",
        "at: medial-condile",
        ("no landmark medial-condile on a transtibial limb",),
    ),
    "rulebook unknown": (
        r"^rulebook: .*$",
        "rulebook: transtibial-patela",
        ("there is no rulebook transtibial-patela",),
    ),
    "no rulebook": (r"^rulebook: .*\n", "", ("names no rulebook", "`rectify rules list` shows what there is")),
    "other amputation": (
        r"^rulebook: .*$",
        "rulebook: transfemoral-sub-ischial",
        ("is for a transfemoral limb", "wanted: one for transtibial", "case.yaml:"),
    ),
    "scan outside": (
        r"file: scan.stl",
        "file: ../secret.stl",
        ("scan.file: leaves the case's folder", "../secret.stl"),
    ),
    "scan absolute": (r"file: scan.stl", "file: /etc/passwd", ("scan.file: leaves the case's folder", "/etc/passwd")),
    "landmarks outside": (r"^landmarks: .*$", "landmarks: ../x.yaml", ("landmarks: leaves the case's folder",)),
    "rulebook outside": (r"^rulebook: .*$", "rulebook: ../x.yaml", ("rulebook: leaves the case's folder",)),
    "rulebook by path without ending": (r"^rulebook: .*$", "rulebook: ../x", ("rulebook",)),
    "rectified skin": (r"^  units: mm$", "  units: mm\n  rectified: yes", ("scan.rectified: skin is not rectified",)),
    "a layer over skin": (
        r"^  layers: .*$",
        "  layers: [{liner: 6 mm}]",
        ("scan.layers: the surface is skin, and liner",),
    ),
    "a layer nobody knows": (r"^  layers: .*$", "  layers: [{linr: 6 mm}]", ("no layer linr", "did you mean liner?")),
    "a layer that ends like one": (
        r"^  layers: .*$",
        "  layers: [{plastik-film: 0 mm}]",
        ("no layer plastik-film", "did you mean plastic-film?"),
    ),
    "plaster worn": (r"^wear: .*$", "wear: [{plaster: 4 mm}]", ("wear[0]: plaster is part of a cast and not worn",)),
    "a wall nobody measured": (
        r"^  surface: skin$",
        "  surface: impression-outside",
        ("further out by its wall", "wanted: layers: [{plaster: 4 mm}]"),
    ),
    "trim at nothing": (
        r"^  units: mm$",
        "  units: mm\n  trim: {proximal: 6 mm}",
        ("scan.trim: is no plane", "wanted: {at:"),
    ),
    "trim through bone": (
        r"^  units: mm$",
        "  units: mm\n  trim: {at: mid-patellar-tendon, distal: 40 mm}",
        (
            "would cut off what the limb cannot do without: mid-patellar-tendon (40 mm beyond the plane)",
            "trim further up",
        ),
    ),
    "format": (r"^format: 1$", "format: 2", ("format",)),
}


@pytest.mark.parametrize("name", CASES)
def test_a_case_file_that_cannot_be_is_refused_with_its_line(case: Path, name: str) -> None:
    pattern, replacement, sentences = CASES[name]
    change_text(case / "case.yaml", pattern, replacement)
    says(refused(case), *sentences)


@pytest.mark.parametrize("key", ["name", "patient", "birth_date", "Date-of-Birth", "phone", "insurance"])
@pytest.mark.parametrize("inside", [False, True], ids=["at the top", "in the limb"])
def test_keys_that_would_say_who_this_is_are_refused_and_their_value_is_not_repeated(
    case: Path, key: str, inside: bool
) -> None:
    pattern, replacement = (r"^limb: \{", f"limb: {{{key}: Secret, ") if inside else (r"\Z", f"{key}: Secret\n")
    change_text(case / "case.yaml", pattern, replacement)
    ended = refused(case)
    says(ended, f"the key {key} would say who this is", "a case is a code; keep personal data elsewhere")
    assert "Secret" not in ended.err and re.search(r"case\.yaml:\d+", ended.err)


def test_several_faults_of_a_case_are_all_told_at_once(case: Path) -> None:
    file = case / "case.yaml"
    change_text(file, r"^side: left$", "side: both")
    change_text(file, r"^suspension: .*$", "suspension: magnet")
    change_text(file, r"value: 363 mm", "value: 363")
    ended = refused(case)
    lines = [int(n) for n in re.findall(r"case\.yaml:(\d+)", ended.err)]
    assert len(lines) >= 3 and lines == sorted(lines)


def test_aliases_that_would_expand_without_end_are_refused_at_once(case: Path) -> None:
    rows = ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
    rows += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]" for n in range(1, 12)]
    (case / "case.yaml").write_text("\n".join(rows) + "\n")
    says(refused(case), "uses the anchor &a0")


def test_a_case_nested_without_end_is_refused(case: Path) -> None:
    (case / "case.yaml").write_text("side: " + "[" * 20_000 + "]" * 20_000 + "\n")
    says(refused(case), "case.yaml:1")


def test_a_case_nested_deeper_than_any_case_is_refused(case: Path) -> None:
    (case / "case.yaml").write_text("side: " + "[" * 60 + "]" * 60 + "\n")
    says(refused(case), "is nested more than 40 deep")


def test_a_case_file_as_large_as_a_scan_is_refused(case: Path) -> None:
    (case / "case.yaml").write_text("# " + "x" * 1_100_000 + "\n")
    says(refused(case), "is larger than 1 MB")


def test_a_case_file_that_is_no_text_is_refused(case: Path) -> None:
    (case / "case.yaml").write_bytes(b"case: RB\xff101\n")
    says(refused(case), "case.yaml:1", "is not UTF-8 text", "save the file as UTF-8")


def test_an_empty_case_file_is_refused(case: Path) -> None:
    (case / "case.yaml").write_text("")
    says(refused(case), "case.yaml is empty")


def test_a_link_out_of_the_case_is_refused(case: Path) -> None:
    outside = case.parent / "elsewhere.stl"
    outside.write_bytes((case / "scan.stl").read_bytes())
    (case / "scan.stl").unlink()
    (case / "scan.stl").symlink_to(outside)
    says(refused(case), "scan.file: leaves the case's folder", "a file in the same folder as case.yaml")


def test_links_in_a_ring_are_no_file(case: Path) -> None:
    (case / "scan.stl").unlink()
    (case / "scan.stl").symlink_to("scan.stl")
    says(refused(case), "scan.stl there is no such file", "named in")


def test_a_name_that_no_file_can_have_is_refused(case: Path) -> None:
    change_text(case / "case.yaml", r"file: scan.stl", r'file: "scan\\0.stl"')
    says(refused(case), "there is no such file", "case.yaml:7")


def test_a_case_that_is_not_there_is_refused(case: Path) -> None:
    ended = run_in(case.parent, "apply", "RB-999")
    assert ended.code == 2
    says(ended, "RB-999 there is no such case", "give the folder that holds case.yaml")


def test_a_folder_without_a_case_is_refused(case: Path) -> None:
    (case / "case.yaml").unlink()
    says(refused(case), "the folder holds no case.yaml", "`rectify demo` writes examples")


# -- tunings and --set -----------------------------------------------------------------------------

TUNINGS = {
    "unknown region": (
        "regions: {fibula-head: {change: +1 mm}}",
        ("no region fibula-head", "did you mean fibular-head?"),
    ),
    "no sign": (
        "regions: {fibular-head: {change: 1 mm}}",
        ("fibular-head.change: is 1 mm, and does not say which way", "+1 mm or -1 mm"),
    ),
    "a sign": ("regions: {fibular-head: {amount: +5 mm}}", ("tune[0].regions.fibular-head.amount: ",)),
    "no unit": ("regions: {fibular-head: {change: +1}}", ("tune[0].regions.fibular-head.change: ", "mm")),
    "past allow": ("regions: {fibular-head: {change: +3 mm}}", ("fibular-head", "allow")),
    "past the limit": (
        "regions: {fibular-head: {change: +12 mm}}",
        ("makes it 16 mm, past the limit", "at most 15 mm"),
    ),
}


@pytest.mark.parametrize("name", TUNINGS)
def test_a_tuning_that_cannot_be_is_refused(case: Path, name: str) -> None:
    text, sentences = TUNINGS[name]
    with (case / "case.yaml").open("a") as file:
        file.write(f"tune:\n  - {{by: KW, on: 2026-11-20, why: red, {text}}}\n")
    ended = refused(case)
    says(ended, *sentences)
    assert re.search(r"case\.yaml:\d+", ended.err)


def test_a_tuning_by_a_full_name_is_refused(case: Path) -> None:
    with (case / "case.yaml").open("a") as file:
        file.write("tune:\n  - {by: Anna Secret, on: 2026-11-20, why: red, regions: {fibular-head: {change: +1 mm}}}\n")
    says(refused(case), "tune[0].by: ", "initials or a role")


SETS = {
    "fibular-head.change=1mm": ("--set fibular-head.change: is 1mm, and does not say which way", "+1mm or -1mm"),
    "fibular-head.amount=-5mm": ("--set fibular-head.amount",),
    "fibular-head.amount=five": ("--set fibular-head.amount",),
    "fibular-head.amount": ("is not region.key=value",),
    "fibula-head.amount=5mm": ("no region fibula-head", "did you mean fibular-head?"),
    "fibular-head.colour=red": ("cannot set colour",),
    "fibular-head.amount=7mm": ("fibular-head.amount: ", "allow"),
    "fibular-head.amount=40mm": ("fibular-head.amount: makes it 40 mm, past the limit", "at most 15 mm"),
}


@pytest.mark.parametrize("text", SETS)
def test_a_set_that_cannot_be_is_refused(case: Path, text: str) -> None:
    says(refused(case, "--set", text), *SETS[text])


def test_all_sets_that_cannot_be_are_told_at_once(case: Path) -> None:
    ended = refused(case, "--set", "nowhere.amount=1mm", "--set", "fibular-head.colour=red")
    says(ended, "no region nowhere", "cannot set colour")


# -- rulebooks -------------------------------------------------------------------------------------


def test_a_rulebook_for_another_amputation_is_refused(case: Path) -> None:
    ended = refused(case, "--rulebook", "transfemoral-sub-ischial")
    says(ended, "the rulebook transfemoral-sub-ischial is for a transfemoral limb", "wanted: one for transtibial")


def test_a_rulebook_that_is_not_there_is_refused(case: Path) -> None:
    says(refused(case, "--rulebook", "nowhere.yaml"), "nowhere.yaml")


def test_every_fault_of_a_rulebook_is_told_before_the_limb_is_looked_at(case: Path) -> None:
    book = case / "mine.yaml"
    text = (rules_folder() / "transtibial-total-surface-bearing.yaml").read_text()
    book.write_text(text.replace("feather: 14 mm", "feather: -14 mm").replace("action: reduce", "action: remove"))
    ended = refused(case, "--rulebook", book)
    assert len(re.findall(r"mine\.yaml:\d+", ended.err)) >= 2


def test_a_plan_made_for_another_scan_is_refused(case: Path) -> None:
    here = case.parent / "first"
    here.mkdir()
    run_in(here, "apply", case, "--out", "made", "--without", "page", "--without", "3mf")
    data = bytearray((case / "scan.stl").read_bytes())
    data[0] ^= 1
    (case / "scan.stl").write_bytes(data)
    ended = refused(case, "--rulebook", here / "made" / "plan.yaml")
    says(ended, "scan_sha256: is resolved for another scan", "apply the rulebook itself to this case")


def test_a_plan_with_a_set_is_refused(case: Path) -> None:
    here = case.parent / "first"
    here.mkdir()
    run_in(here, "apply", case, "--out", "made", "--without", "page", "--without", "3mf")
    ended = refused(case, "--rulebook", here / "made" / "plan.yaml", "--set", "fibular-head.change=+1mm")
    says(ended, "--set: a resolved plan is taken as it stands")


# -- outputs ---------------------------------------------------------------------------------------


def made_into(case: Path, out: str, *words: str) -> Ended:
    before = contents(case.parent)
    ended = run_in(case.parent, "apply", case, "--out", out, "--without", "page", *words)
    assert contents(case.parent) == before
    assert ended.code == 2 and ended.out == ""
    assert not [p for p in case.parent.iterdir() if p.name.startswith(".")], "something hidden was left"
    return ended


def test_an_existing_folder_is_refused(case: Path) -> None:
    (case.parent / "there").mkdir()
    says(made_into(case, "there"), "there exists already", "choose another name, or give --replace")


def test_a_file_in_the_place_of_the_folder_is_refused_even_with_replace(case: Path) -> None:
    (case.parent / "there").write_text("mine")
    says(made_into(case, "there", "--replace"), "exists and is not a folder", "found: a file")


def test_a_link_in_the_place_of_the_folder_is_refused_even_with_replace(case: Path) -> None:
    (case.parent / "real").mkdir()
    (case.parent / "there").symlink_to(case.parent / "real")
    says(made_into(case, "there", "--replace"), "exists and is not a folder", "found: a link")


def test_a_parent_that_is_not_there_is_refused(case: Path) -> None:
    says(made_into(case, "no/such/place"), "its parent is not a folder", "make that folder first")


def test_the_case_itself_is_never_replaced(case: Path) -> None:
    says(made_into(case, "RB-101", "--replace"), "holds a file this result is made from")


def test_the_folder_one_stands_in_is_never_replaced(case: Path) -> None:
    here = case.parent / "here"
    here.mkdir()
    (here / "mine.txt").write_text("keep")
    ended = run_in(here, "apply", case, "--out", here, "--replace", "--without", "page")
    assert ended.code == 2 and contents(here) == {"mine.txt": b"keep"}
    says(ended, "is the folder you are in, so it is not replaced")


def test_a_fault_in_the_midst_of_writing_leaves_nothing_behind(case: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import errno

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("rectify.save.write_threemf", full)
    says(made_into(case, "made"), "made cannot be written: the disk is full", "make room")
