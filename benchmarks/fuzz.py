"""Damaged files by the thousand: whatever comes in, a reader gives a mesh or a document, or says why not.

Run as `python benchmarks/fuzz.py [--target NAME]... [--seconds 60] [--seed 1] [--guide trace|atheris|none]`.

Each target starts from a few sound files of its own and damages them: bits, bytes, numbers, lengths, lines, and what
makes sense in a format (a GLB's JSON chunk, an entry of a ZIP). With `--guide trace` a damaged file that reaches lines
of rectify no file reached before is kept and damaged further; `atheris` gives the same work to that fuzzer where it is
installed (it is no dependency); `none` only damages the sound files.

A finding is any exception that is not a RectifyError, any warning, a result that is not what is promised, or an input
that takes more than SLOW_S of processor time. Findings are printed with what reproduces them and end with exit code 1.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import re
import struct
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from types import FrameType
from typing import Any

import numpy as np

import rectify
from rectify.case import open_case
from rectify.data import rules_folder
from rectify.engine import rectify_limb
from rectify.errors import CaseError, RectifyError
from rectify.fabrication.threemf import threemf_bytes
from rectify.geometry.mesh import Mesh
from rectify.geometry.read import read_mesh
from rectify.limb.landmarks import raw_landmarks
from rectify.limb.limb import Limb
from rectify.rulebook import resolve
from rectify.rulebook.facts import Facts
from rectify.rulebook.load import rulebook_from_text
from rectify.rulebook.plan import Plan
from rectify.rulebook.yamltext import parse_yaml
from rectify.synthetic import CASES, Transtibial, capsule, case_files, transtibial
from rectify.synthetic.files import ply_bytes, stl_bytes

SLOW_S = 10.0
_CARRIED_MM = 5.0  # edges that a rulebook's regions find room on
LARGEST = 400_000  # bytes of a damaged file
HOME = str(Path(rectify.__file__).parent)


# -- targets --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Target:
    """Something that takes bytes: sound examples, and what is done with damaged ones."""

    name: str
    seeds: Callable[[], list[bytes]]
    run: Callable[[bytes, Path], None]


@cache
def _small() -> Mesh:
    return capsule(50.0, 120.0, 18.0, 50.0)


def _obj() -> bytes:
    mesh = _small()
    lines = [f"v {x:.4f} {y:.4f} {z:.4f}" for x, y, z in mesh.vertices]
    lines += [f"f {a}//{a} {b}//{b} {c}//{c}" for a, b, c in mesh.faces + 1]
    return "\n".join(["# a scan", "o limb", *lines]).encode()


def _off() -> bytes:
    mesh = _small()
    lines = ["OFF", f"{len(mesh.vertices)} {len(mesh.faces)} 0"]
    lines += [f"{x:.4f} {y:.4f} {z:.4f}" for x, y, z in mesh.vertices]
    return "\n".join([*lines, *(f"3 {a} {b} {c}" for a, b, c in mesh.faces)]).encode()


def _ascii_stl() -> bytes:
    mesh = _small()
    out = ["solid limb"]
    for corners in mesh.vertices[mesh.faces]:
        out += ["facet normal 0 0 0", "outer loop", *(f"vertex {x:g} {y:g} {z:g}" for x, y, z in corners), "endloop"]
        out.append("endfacet")
    return "\n".join([*out, "endsolid limb"]).encode()


def _ascii_ply() -> bytes:
    mesh = _small()
    head = ["ply", "format ascii 1.0", f"element vertex {len(mesh.vertices)}", "property float x", "property float y"]
    head += ["property float z", "property uchar red", "property uchar green", "property uchar blue"]
    head += [f"element face {len(mesh.faces)}", "property list uchar int vertex_indices", "end_header"]
    rows = [f"{x:.3f} {y:.3f} {z:.3f} 200 180 170" for x, y, z in mesh.vertices]
    return "\n".join([*head, *rows, *(f"3 {a} {b} {c}" for a, b, c in mesh.faces)]).encode()


def glb_of(mesh: Mesh) -> bytes:
    """A GLB of one triangle mesh (glTF 2.0): a JSON chunk and a binary one."""
    points, corners = mesh.vertices.astype("<f4"), mesh.faces.astype("<u4").ravel()
    body = points.tobytes() + corners.tobytes()
    low, high = points.min(axis=0).tolist(), points.max(axis=0).tolist()
    said = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "buffers": [{"byteLength": len(body)}],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": points.nbytes},
            {"buffer": 0, "byteOffset": points.nbytes, "byteLength": corners.nbytes},
        ],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": len(points), "type": "VEC3", "min": low, "max": high},
            {"bufferView": 1, "componentType": 5125, "count": len(corners), "type": "SCALAR"},
        ],
    }
    return glb_from(json.dumps(said).encode(), body)


def glb_from(text: bytes, body: bytes) -> bytes:
    """The container about a JSON text and a binary chunk, its lengths true."""
    text += b" " * (-len(text) % 4)
    body += b"\0" * (-len(body) % 4)
    total = 12 + 8 + len(text) + 8 + len(body)
    head = struct.pack("<4sII", b"glTF", 2, total) + struct.pack("<I4s", len(text), b"JSON") + text
    return head + struct.pack("<I4s", len(body), b"BIN\0") + body


def _mesh_target(ending: str, seeds: Callable[[], list[bytes]]) -> Target:
    def run(data: bytes, place: Path) -> None:
        path = place / f"scan.{ending}"
        path.write_bytes(data)
        found = read_mesh(path)
        v, f = found.mesh.vertices, found.mesh.faces
        promised = (
            len(f) > 0
            and v.ndim == f.ndim == 2
            and v.shape[1] == f.shape[1] == 3
            and v.dtype == np.float64
            and f.dtype == np.int64
            and bool(np.isfinite(v).all())
            and f.min() >= 0
            and f.max() < len(v)
            and (found.mesh.colours is None or len(found.mesh.colours) == len(v))
        )
        if not promised:
            raise AssertionError(f"not what is promised: {v.shape} {v.dtype}, {f.shape} {f.dtype}")

    return Target(ending, seeds, run)


def _run_yaml(data: bytes, place: Path) -> None:  # noqa: ARG001  one signature for all
    document = parse_yaml(data, path="case.yaml", error=CaseError)
    json.dumps(document.value)  # plain values only


def _run_rulebook(data: bytes, place: Path) -> None:  # noqa: ARG001
    rulebook_from_text(data.decode("utf-8", "replace"), path="own.yaml", folder=rules_folder())


@cache
def _coarse_limb() -> Limb:
    made = transtibial(Transtibial(edge_mm=_CARRIED_MM))
    marks = raw_landmarks(made.landmarks)
    return Limb.from_capture(made.mesh, side=made.side, amputation=made.amputation, landmarks=marks)


def _run_carried(data: bytes, place: Path) -> None:  # noqa: ARG001
    """A rulebook carried out on a coarse limb: refused in words, or sound."""
    book = rulebook_from_text(data.decode("utf-8", "replace"), path="own.yaml", folder=rules_folder())
    _must_be_sound(_coarse_limb(), resolve(book, _coarse_limb(), Facts(shaping="none"), scan_sha256="0" * 64))


def _run_scan(data: bytes, place: Path) -> None:
    """A case whose scan is damaged: refused in words, or mended and rectified to a sound model."""
    for name, content in _case_files(_CARRIED_MM).items():
        (place / name).write_bytes(data if name == "scan.stl" else content)
    case = open_case(place)
    case.warnings()
    _must_be_sound(*case.resolved())


def _must_be_sound(limb: Limb, plan: Plan) -> None:
    checks = rectify_limb(limb, plan).checks
    sound = checks.watertight and checks.bodies == 1 and checks.flipped_faces == 0
    if not sound or checks.self_intersections > checks.self_intersections_of_capture:
        raise AssertionError(f"not sound: {checks}")


def _carried_seeds() -> list[bytes]:
    return [
        (rules_folder() / f"transtibial-{name}.yaml").read_bytes()
        for name in ("total-surface-bearing", "patellar-tendon-bearing", "base")
    ]


def _yaml_seeds() -> list[bytes]:
    return [p.read_bytes() for p in sorted(rules_folder().glob("*.yaml"))[:3]] + _case_seeds()[:1]


def _rulebook_seeds() -> list[bytes]:
    names = ("transtibial-patellar-tendon-bearing", "transtibial-total-surface-bearing", "transfemoral-sub-ischial")
    return [(rules_folder() / f"{name}.yaml").read_bytes() for name in names]


_SPLIT = b"\n# ---- landmarks.yaml ----\n"


@cache
def _case_files(edge_mm: float = 9.0) -> dict[str, bytes]:
    """A demo case on a coarse mesh, with a tuning, in one pose."""
    first, second = CASES[0], CASES[1]
    return case_files(replace(first, limb=replace(first.limb, edge_mm=edge_mm), tune=second.tune))


def _case_seeds() -> list[bytes]:
    files = _case_files()
    case, marks = files["case.yaml"], files["landmarks.yaml"]
    inline = marks.replace(b"\n", b"\n  ").rstrip(b" ")
    return [
        case + _SPLIT + marks,
        case.replace(b"landmarks: landmarks.yaml", b"landmarks:\n  " + inline.rstrip()) + _SPLIT,
        case.split(b"tape:")[0] + _SPLIT + marks,
    ]


def _run_case(data: bytes, place: Path) -> None:
    case, _, marks = data.partition(_SPLIT)
    (place / "case.yaml").write_bytes(case)
    (place / "landmarks.yaml").write_bytes(marks)
    (place / "scan.stl").write_bytes(_case_files()["scan.stl"])
    open_case(place).warnings()


TARGETS = {
    target.name: target
    for target in (
        _mesh_target("stl", lambda: [stl_bytes(_small()), _ascii_stl()]),
        _mesh_target("ply", lambda: [ply_bytes(_small()), _ascii_ply()]),
        _mesh_target("obj", lambda: [_obj()]),
        _mesh_target("off", lambda: [_off()]),
        _mesh_target("glb", lambda: [glb_of(_small())]),
        _mesh_target("3mf", lambda: [threemf_bytes(_small())]),
        Target("yaml", _yaml_seeds, _run_yaml),
        Target("rulebook", _rulebook_seeds, _run_rulebook),
        Target("case", _case_seeds, _run_case),
        Target("carried", _carried_seeds, _run_carried),
        Target("scan", lambda: [_case_files(_CARRIED_MM)["scan.stl"]], _run_scan),
    )
}


# -- damage ---------------------------------------------------------------------------------------

_NUMBERS = (
    b"0", b"-1", b"1e308", b"-1e309", b"nan", b"inf", b"4294967295", b"99999999999999999999", b"1e-320", b"0x10",
    b"1/0", b"-0.0", b"2147483648", b"1_000", b"",
)  # fmt: skip
_WORDS = (
    b"yes", b"no", b"~", b"null", b"[]", b"{}", b"[[[[", b"&a", b"*a", b"<<: x", b"!!python/object:os.system x", b"- ",
    b": ", b"\t", b"\0", b"\xff\xfe", b"\xef\xbb\xbf", b"\xed\xa0\x80", b"../x", b"mm", b"6 mm", b"3 %", b"|", b"---",
    b"...", b"element face 9", b"property list uchar int x", b"f 1 1 1", b"f -1 -2 -3", b"usemtl", b"endsolid",
    b"absent",
)  # fmt: skip
_NUMBER = re.compile(rb"-?\d+(\.\d+)?([eE][-+]?\d+)?")


def _spot(rng: np.random.Generator, size: int) -> int:
    """A place in a file: often near its head, where counts and names are."""
    return int(rng.integers(min(size, 300) if rng.random() < 0.5 else size)) if size else 0


def _flip(data: bytearray, rng: np.random.Generator) -> bytearray:
    for _ in range(int(rng.integers(1, 5))):
        if data:
            data[_spot(rng, len(data))] ^= 1 << int(rng.integers(8))
    return data


def _bytes(data: bytearray, rng: np.random.Generator) -> bytearray:
    at = _spot(rng, len(data))
    data[at : at + int(rng.integers(0, 9))] = rng.bytes(int(rng.integers(0, 9)))
    return data


def _integer(data: bytearray, rng: np.random.Generator) -> bytearray:
    at = _spot(rng, max(len(data) - 4, 1))
    value = int(rng.choice(np.array([0, 1, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 0x7FC00000, 0x7F800000, len(data)])))
    data[at : at + 4] = value.to_bytes(4, "little")
    return data


def _cut(data: bytearray, rng: np.random.Generator) -> bytearray:
    return data[: _spot(rng, len(data) + 1)] if rng.random() < 0.7 else data[_spot(rng, len(data) + 1) :]


def _twice(data: bytearray, rng: np.random.Generator) -> bytearray:
    at, size = _spot(rng, len(data)), int(rng.integers(1, 400))
    return data[: at + size] + data[at : at + size] * int(rng.integers(1, 4)) + data[at + size :]


def _number(data: bytearray, rng: np.random.Generator) -> bytearray:
    found = list(_NUMBER.finditer(bytes(data[:20_000])))
    if not found:
        return _integer(data, rng)
    where = found[_spot(rng, len(found))]
    data[where.start() : where.end()] = _NUMBERS[int(rng.integers(len(_NUMBERS)))]
    return data


def _word(data: bytearray, rng: np.random.Generator) -> bytearray:
    at = _spot(rng, len(data) + 1)
    data[at:at] = _WORDS[int(rng.integers(len(_WORDS)))]
    return data


def _line(data: bytearray, rng: np.random.Generator) -> bytearray:
    lines = bytes(data).split(b"\n")
    i, j = _spot(rng, len(lines)), _spot(rng, len(lines))
    what = rng.integers(4)
    if what == 0:
        del lines[i]
    elif what == 1:
        lines.insert(j, lines[i])
    elif what == 2:
        lines[i], lines[j] = lines[j], lines[i]
    else:
        lines[i] = b" " * int(rng.integers(1, 5)) + lines[i].strip()
    return bytearray(b"\n".join(lines))


def _nudge(data: bytearray, rng: np.random.Generator) -> bytearray:
    """A number made somewhat smaller or larger, as a slip of a hand makes it."""
    found = list(_NUMBER.finditer(bytes(data[:20_000])))
    if not found:
        return _number(data, rng)
    where = found[int(rng.integers(len(found)))]
    value = float(where[0]) * float(rng.choice(np.array([-1.0, 0.0, 0.1, 0.5, 0.9, 1.1, 2.0, 10.0])))
    data[where.start() : where.end()] = f"{value:g}".encode()
    return data


DAMAGE = (_flip, _bytes, _integer, _cut, _twice, _number, _nudge, _nudge, _word, _line)


def damaged(data: bytes, rng: np.random.Generator) -> bytes:
    """One to four things done to a file. Half of GLB and 3MF files are damaged inside and put together anew."""
    whole = bytearray(data)
    times = int(rng.choice([1, 1, 1, 2, 4]))
    if rng.random() < 0.6 and data[:4] == b"glTF" and len(data) > 28:
        size = int.from_bytes(data[12:16], "little")
        text, body = bytearray(data[20 : 20 + size]), data[28 + size :]
        for _ in range(times):
            text = (_number, _word, _flip, _twice, _cut)[int(rng.integers(5))](text, rng)
        return glb_from(bytes(text), body)[:LARGEST]
    if rng.random() < 0.7 and data[:2] == b"PK":
        with contextlib.suppress(Exception):
            return _zip_damaged(data, rng, times)
    for _ in range(times):
        whole = DAMAGE[int(rng.integers(len(DAMAGE)))](whole, rng)
    return bytes(whole[:LARGEST])


def _zip_damaged(data: bytes, rng: np.random.Generator, times: int) -> bytes:
    parts = {}
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        for name in archive.namelist():
            parts[name] = archive.read(name)
    name = list(parts)[int(rng.integers(len(parts)))]
    inside = bytearray(parts[name])
    for _ in range(times):
        inside = (_number, _word, _flip, _twice, _cut, _line)[int(rng.integers(6))](inside, rng)
    parts[name] = bytes(inside[:LARGEST])
    if rng.random() < 0.1:
        parts[f"3D/../{rng.integers(9)}.model"] = parts[name]
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0)), content)
    return out.getvalue()


# -- running --------------------------------------------------------------------------------------


@dataclass
class Tried:
    """What came of a run over one target."""

    target: str
    inputs: int = 0
    read: int = 0
    refused: int = 0
    kept: int = 0
    slowest_s: float = 0.0
    findings: list[tuple[str, bytes]] = field(default_factory=list)


class Reached:
    """The lines of rectify that inputs have reached, by tracing."""

    def __init__(self) -> None:
        self.lines: set[tuple[str, int]] = set()
        self._now: set[tuple[str, int]] = set()

    def _trace(self, frame: FrameType, event: str, arg: Any) -> Any:  # noqa: ARG002  the interpreter's signature
        if not frame.f_code.co_filename.startswith(HOME):
            return None
        if event == "line":
            self._now.add((frame.f_code.co_filename, frame.f_lineno))
        return self._trace

    @contextlib.contextmanager
    def watching(self) -> Iterator[None]:
        """Collect the lines that run inside."""
        self._now = set()
        before = sys.gettrace()
        sys.settrace(self._trace)
        try:
            yield
        finally:
            sys.settrace(before)

    def new(self) -> bool:
        """Whether the last input reached lines that none before it did."""
        fresh = not self._now <= self.lines
        self.lines |= self._now
        return fresh


def once(target: Target, data: bytes, place: Path, tried: Tried) -> None:
    """Give one input to a target; what it must not do becomes a finding."""
    tried.inputs += 1
    started = time.process_time()  # of this process: whatever else the machine does
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            target.run(data, place)
        tried.read += 1
    except RectifyError as refusal:
        str(refusal)
        tried.refused += 1
    except BaseException:
        tried.findings.append((traceback.format_exc(limit=-6), data))
    took = time.process_time() - started
    tried.slowest_s = max(tried.slowest_s, took)
    if took > SLOW_S:
        tried.findings.append((f"took {took:.1f} s", data))


def fuzz(
    name: str, seed: int, *, inputs: int | None = None, seconds: float | None = None, guide: str = "trace"
) -> Tried:
    """Damage files of one target, `inputs` of them or for some seconds.

    With a number of inputs the run is the same every time.
    """
    target = TARGETS[name]
    rng = np.random.default_rng([seed, list(TARGETS).index(name)])
    tried, reached = Tried(name), Reached()
    ends = None if seconds is None else time.monotonic() + seconds
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        pool = target.seeds()
        for data in pool:
            with reached.watching() if guide == "trace" else contextlib.nullcontext():
                once(target, data, place, tried)
            reached.new()
        if tried.refused:
            raise SystemExit(f"{name}: a sound file was refused")
        while (inputs is None or tried.inputs < inputs) and (ends is None or time.monotonic() < ends):
            data = damaged(pool[int(rng.integers(len(pool)))], rng)
            with reached.watching() if guide == "trace" else contextlib.nullcontext():
                once(target, data, place, tried)
            if guide == "trace" and reached.new():
                pool.append(data)
                tried.kept += 1
    return tried


def fuzz_with_atheris(name: str, seed: int, seconds: float, keep: Path | None) -> int:
    """The same target under atheris, in a process of its own, which it ends itself; that process' exit code."""
    child = Path(__file__).with_name("fuzz_atheris.py")
    with tempfile.TemporaryDirectory() as work:
        words = [sys.executable, str(child), name, str(seed), str(int(seconds)), work, str(keep or work)]
        return subprocess.run(words, check=False).returncode


def say(text: str) -> None:
    """A line of output."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def main() -> int:
    """Fuzz the targets one after another and print what came of it."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--target", action="append", choices=list(TARGETS))
    parser.add_argument("--seconds", type=float, default=60.0, help="for each target")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--guide", choices=("trace", "atheris", "none"), default="trace")
    parser.add_argument("--keep", type=Path, help="a folder for the inputs of findings")
    asked = parser.parse_args()
    found = 0
    for name in asked.target or list(TARGETS):
        if asked.guide == "atheris":
            found += bool(fuzz_with_atheris(name, asked.seed, asked.seconds, asked.keep))
            continue
        tried = fuzz(name, asked.seed, seconds=asked.seconds, guide=asked.guide)
        say(
            f"{name:9s} {tried.inputs:7,} inputs: {tried.read:,} read, {tried.refused:,} refused, {tried.kept:,} kept "
            f"for reaching new lines, slowest {tried.slowest_s:.2f} s, {len(tried.findings)} findings"
        )
        for number, (what, data) in enumerate(tried.findings[:5]):
            say(f"{what}\n    {len(data):,} bytes: {data[:120]!r}")
            if asked.keep is not None:
                asked.keep.mkdir(parents=True, exist_ok=True)
                (asked.keep / f"{name}-{number}").write_bytes(data)
        found += len(tried.findings)
    return 1 if found else 0


if __name__ == "__main__":
    raise SystemExit(main())
