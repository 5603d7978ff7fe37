"""Hand measurements beside the capture: a table, what is accepted, and what a difference all one way may come from.

A tape that disagrees is never put right here: it is told, with what it is as large as, and a person looks.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from rectify.case.wear import DONNED_SHARE, thickness
from rectify.geometry.mesh import Floats
from rectify.limb.measure import measure_levels
from rectify.rulebook.plan import Warn
from rectify.rulebook.quantity import show_mm

if TYPE_CHECKING:
    from rectify.case import Case
    from rectify.limb.limb import Limb

__all__ = ["MEASURES", "TAPE_ACCEPTED_MM", "TAPE_ACCEPTED_SHARE", "tape_facts", "tape_warnings"]

Row = dict[str, Any]
MEASURES = {"circumference": "circumference", "ap": "AP", "ml": "ML"}

# How far a capture may lie from the tape before somebody should look: 5 mm, the typical difference between hand and
# digital measures of limb models (Geil MD 2007, J Rehabil Res Dev 44(4):515-524), or 3 %, where that is more: one
# observer's own repeats with a tape on a leg scatter by 3.3 % (te Slaa A et al. 2011, Phlebology 26(1):14-19).
# Workshops accept 3 to 5 mm (common practice, no source); held to that, good captures would be questioned daily.
TAPE_ACCEPTED_MM = 5.0
TAPE_ACCEPTED_SHARE = 0.03
_ONE_WAY_LEAST = 3  # circumferences that all differ in one direction, before that is worth a note
_ONE_WAY_MM = 2.0
_SURE_MM = 0.5  # by how much, root mean square, one explanation must fit better to be named alone
# how many times as large the capture is, and what was then written for what; other mistakes make no limb
_UNITS = {
    10.0: "the tape's cm had been written as mm, or a scan in mm been read as cm",
    25.4: "the tape's inches had been written as mm, or a scan in mm been read as inches",
    2.54: "the tape's inches had been written as cm, or a scan in cm been read as inches",
    1 / 2.54: "a scan in inches had been read as cm",
}
_UNITS_WITHIN = 0.05
_LINERS_MM = (3.0, 6.0, 9.0)  # the usual ones: Jasken J, Hall M (2018), J Prosthet Orthot 30(3):140-144
_LINER_WITHIN_MM = 0.5


def tape_facts(case: Case) -> list[Row]:
    """Hand measurements beside what the capture measures at the same level.

    Where tape and capture lie on different layers (the tape on the skin, the scan over a liner) the layers between
    them are taken off the capture's value: 2 pi times their thickness off a circumference, twice off a width. That
    is exact for a convex section with an even layer (outer parallel curve, Steiner).
    """
    limb, tape = case.captured, case.says.tape
    if not tape:
        return []
    levels = np.array([_tape_level(limb, t.at, t.offset_mm) for t in tape])
    wanted, index = np.unique(levels, return_inverse=True)
    profile = measure_levels(limb.mesh, wanted)
    captured = [float(getattr(profile, t.measure)[i]) for t, i in zip(tape, index, strict=True)]
    return [_tape_row(case, t, float(z), found) for t, z, found in zip(tape, levels, captured, strict=True)]


def _tape_level(limb: Limb, at: str, offset: float) -> float:
    mark = limb.landmarks.get(at)
    if mark is None or mark.absent:
        return float("inf")
    return mark.level_mm + offset


def _tape_row(case: Case, tape: Any, level: float, captured: float) -> Row:
    between = _between(case, tape.over)
    captured -= between * (2 * np.pi if tape.measure == "circumference" else 2.0)
    value = float(tape.value.value)
    accepted = max(TAPE_ACCEPTED_MM, TAPE_ACCEPTED_SHARE * value)
    why = _why_not(case, tape, level, captured)
    return {
        "measure": tape.measure,
        "at": tape.at,
        "distal_mm": float(tape.offset_mm),
        "level_mm": level,
        "over": tape.over,
        "tension": tape.tension,
        "tape_mm": value,
        "capture_mm": captured,
        "layers_off_mm": between,
        "difference_mm": captured - value,
        "accepted_mm": accepted,
        "agrees": None if why else bool(abs(captured - value) <= accepted),
        "not_compared": why,
    }


def _why_not(case: Case, tape: Any, level: float, captured: float) -> str | None:
    """Why a value cannot be held against the capture."""
    if not np.isfinite(level):
        return f"{tape.at} is not marked"
    if not np.isfinite(captured):
        return "the capture is not closed there"
    if case.says.scan.was_rectified:
        return "the capture is rectified, the limb is not"
    if tape.tension == "tight" and tape.measure != "circumference":
        return "the calliper was pressed, the capture was not"
    return None


def _between(case: Case, over: str) -> float:
    """Thickness between what the tape lay on and the captured surface, mm."""
    layers = case.says.scan.between
    under = [layer for layer in layers if over == "liner" and "liner" in layer.kind]
    return float(sum(map(thickness, layers)) - sum(map(thickness, under)))


# -- what is told ----------------------------------------------------------------------------------


def tape_warnings(rows: list[Row]) -> list[Warn]:
    """Where the tape disagrees, and where it lies all one way."""
    out = []
    for i, row in enumerate(rows):
        place = row["at"] + (f" {row['distal_mm']:+.0f} mm" if row["distal_mm"] else "")
        what = f"{MEASURES[row['measure']]} at {place}"
        if row["not_compared"]:
            out.append(Warn("tape-not-compared", "note", f"{what}: {row['not_compared']}", f"tape[{i}]"))
        elif not row["agrees"]:
            message = (
                f"{what}: the tape says {row['tape_mm']:.0f} mm, the capture {row['capture_mm']:.0f} mm; "
                f"up to {row['accepted_mm']:.0f} mm is accepted"
            )
            out.append(Warn("tape-disagrees", "look", message, f"tape[{i}]"))
    girths = [row for row in rows if row["measure"] == "circumference" and not row["not_compared"]]
    if len(girths) >= _ONE_WAY_LEAST:
        out += _one_way(girths)
    return out


def _one_way(girths: list[Row]) -> list[Warn]:
    tape, capture = (np.array([row[key] for row in girths]) for key in ("tape_mm", "capture_mm"))
    more = capture - tape
    if more.min() <= _ONE_WAY_MM and more.max() >= -_ONE_WAY_MM:
        return []
    way = "larger" if more[0] > 0 else "smaller"
    by = f"by {abs(float(more.mean())):.1f} mm on average"
    message = f"all {len(girths)} circumferences of the capture are {way} than the tape's, {by}"
    return [Warn("tape-one-way", "note", f"{message}: {_as_much_as(tape, capture, girths)}", "tape")]


def _as_much_as(tape: Floats, capture: Floats, girths: list[Row]) -> str:
    """What would make such a difference: other units, a scale, a layer, a tape held otherwise."""
    ratio = float(np.median(capture / tape))
    for factor, words in _UNITS.items():
        if abs(ratio / factor - 1.0) < _UNITS_WITHIN:
            return f"as if {words}"
    layer = float((capture - tape).mean() / (2 * np.pi))  # parallel curves: every girth differs by 2 pi times it
    scale = float((capture @ tape) / (tape @ tape))
    by_layer, by_scale = _rms(capture - tape - 2 * np.pi * layer), _rms(capture - scale * tape)
    said = []
    if by_layer < by_scale + _SURE_MM:
        said.append(_layer_words(layer, girths))
    if by_scale < by_layer + _SURE_MM:
        said.append(f"a scan {abs(scale - 1.0):.1%} too {'large' if scale > 1.0 else 'small'}")
    said.append(f"a tape held {'tight' if layer > 0 else 'loose'}")
    return f"as much as {', or '.join(said)}"


def _layer_words(layer: float, girths: list[Row]) -> str:
    if layer > 0:
        liner = min(_LINERS_MM, key=lambda label: abs(DONNED_SHARE * label - layer))
        if abs(DONNED_SHARE * liner - layer) < _LINER_WITHIN_MM:
            return f"a {liner:g} mm liner that the case does not declare"
        return f"a layer of {show_mm(round(layer, 1))} that the case does not declare"
    off = float(np.mean([row["layers_off_mm"] for row in girths]))
    if off > 0 and abs(off + layer) < _LINER_WITHIN_MM:
        return f"the {show_mm(round(off, 1))} of layers that were taken off, if they were not there"
    return f"a layer of {show_mm(round(-layer, 1))} under the tape"


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2)))
