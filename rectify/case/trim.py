"""The plane that a case asks its scan to be cut by, in the scan's own axes, mm.

Said by a landmark, the plane is square to the limb's axis at that level (so many mm proximal or distal of it); the axis
is fitted as the limb's own is, over the part below the cut. Said as a plane, it is taken as it stands. A cut that would
take a landmark away which the limb cannot do without is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from rectify.capture.holes import fill_holes
from rectify.capture.repair import Plane
from rectify.capture.top import top_loop
from rectify.case.model import TrimModel
from rectify.errors import CaseError, MeshError
from rectify.geometry.edges import border_loops
from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.limb.axis import LEAST_ABOVE_MM, Axis, fit_axis
from rectify.limb.landmarks import RawLandmark
from rectify.limb.origin import origin_of
from rectify.limb.vocabulary import vocabulary
from rectify.rulebook.words import suggest
from rectify.rulebook.yamltext import Document

__all__ = ["check_trim", "cut_off", "plane_for"]

_PLANE = "{through: [x, y, z], cut-towards: [x, y, z]}"
_ROUNDS, _STILL_MM = 8, 1e-6  # of cut and axis settling together
_KEEP_MM = 5.0  # below the plane, of a landmark that must be there: the skin just at a cut is no place to measure from


def check_trim(trim: TrimModel, landmarks: Mapping[str, RawLandmark], amputation: str, document: Document) -> None:
    """Refuse a trim at a landmark that is not there.

    Raises
    ------
    CaseError
    """
    if trim.at is None:
        return
    names = vocabulary(amputation)
    mark = landmarks.get(trim.at)
    if mark is not None and not mark.absent:
        return
    wanted, found = "a landmark that is marked", ", ".join(n for n, raw in landmarks.items() if not raw.absent)
    message, hint = f"{trim.at} is not marked", f"mark it, take another one, or say the plane: {_PLANE}"
    if not names.knows(trim.at):
        message = f"no landmark {trim.at} on a {amputation} limb"
        hint = suggest(trim.at, names.names, what="landmarks there", listed=40)
    line = document.line(("scan", "trim"))
    raise CaseError(
        message, path=document.path, line=line, key="scan.trim.at", wanted=wanted, found=found or "none", hint=hint
    )


def plane_for(
    trim: TrimModel, landmarks: Mapping[str, RawLandmark], amputation: str, mm: float, document: Document
) -> Callable[[Mesh], Plane]:
    """What says the plane once the limb's body is there.

    Parameters
    ----------
    trim : TrimModel
    landmarks : name -> RawLandmark
        In the scan's axes, mm.
    amputation : str
    mm : float
        Millimetres to one of the scan's own units.
    document : Document
        For lines.
    """

    def plane(mesh: Mesh) -> Plane:
        if trim.through is not None and trim.cut_towards is not None:
            point, towards = np.array(trim.through) * mm, np.array(trim.cut_towards)
            towards = towards / np.linalg.norm(towards)
        else:
            assert trim.at is not None
            point, towards = _square(mesh, landmarks[trim.at].points[0], trim.offset_mm, landmarks, amputation)
        _check_kept(point, towards, landmarks, amputation, document)
        return point, towards

    return plane


def cut_off(landmarks: Mapping[str, RawLandmark], plane: Plane) -> tuple[dict[str, RawLandmark], list[str]]:
    """The landmarks after a cut: those that lay on what was cut off lie beyond the capture now; and their names."""
    point, towards = plane
    gone = [n for n, raw in landmarks.items() if not raw.beyond_capture and _beyond(raw, point, towards) > 0.0]
    return {n: replace(raw, beyond_capture=True) if n in gone else raw for n, raw in landmarks.items()}, gone


def _beyond(raw: RawLandmark, point: Floats, towards: Floats) -> float:
    """How far the farthest point lies beyond the plane, mm; negative below it or where there is none."""
    return float(((raw.points - point) @ towards).max(initial=-np.inf))


def _check_kept(
    point: Floats, towards: Floats, landmarks: Mapping[str, RawLandmark], amputation: str, document: Document
) -> None:
    names = vocabulary(amputation)
    zero = next((group for group in names.zero if all(name in landmarks for name in group)), ())
    kept = dict.fromkeys((*names.origin, *zero, *names.needed))
    there = [name for name in kept if name in landmarks and not landmarks[name].beyond_capture]
    far = {name: _beyond(landmarks[name], point, towards) for name in there}
    lost = [f"{name} ({_where(d)})" for name, d in far.items() if d > -_KEEP_MM]
    if lost:
        raise CaseError(
            f"would cut off what the limb cannot do without: {', '.join(lost)}",
            path=document.path,
            line=document.line(("scan", "trim")),
            key="scan.trim",
            wanted=f"a plane at least {_KEEP_MM:g} mm proximal of each",
            hint="trim further up, or look which way it cuts: what lies proximal of the plane goes",
        )


def _where(beyond: float) -> str:
    return f"{beyond:.0f} mm beyond the plane" if beyond > 0 else f"{-beyond:.0f} mm below it"


# -- the axis of a scan whose top is not yet what it will be --------------------------------------------


def _square(
    mesh: Mesh, at: Floats, offset_mm: float, landmarks: Mapping[str, RawLandmark], amputation: str
) -> Plane:
    """The plane square to the axis, so many mm distal of a point."""
    origin = origin_of(amputation, landmarks)
    distal = _distal(mesh, origin, landmarks, amputation)
    edge = mesh.vertices[[int(np.argmin(mesh.vertices @ distal))]]  # its most proximal point stands for an edge
    above = vocabulary(amputation).segment == "above"
    # above a joint the axis runs through the levels up to the edge: that of the cut limb, so the cut is where it is
    for _ in range(_ROUNDS if above else 1):
        axis = _axis(mesh, origin, distal, edge, above)
        point = axis.point + ((at - axis.point) @ axis.distal + offset_mm) * axis.distal
        moved, edge = float(np.linalg.norm(edge[0] - point)), point[None]
        if moved < _STILL_MM or (origin - point) @ axis.distal < LEAST_ABOVE_MM:  # too low a plane is refused elsewhere
            break
    return point, -axis.distal


def _axis(mesh: Mesh, origin: Floats, distal: Floats, edge: Points, above: bool) -> Axis:
    try:
        return fit_axis(mesh, origin, distal, edge=edge, above=above)
    except MeshError:  # a hole in the middle: it will be filled, and is not in the way of an axis
        return fit_axis(fill_holes(mesh)[0], origin, distal, edge=edge, above=above)


def _distal(mesh: Mesh, origin: Floats, landmarks: Mapping[str, RawLandmark], amputation: str) -> Floats:
    """Roughly distal: the scan's long direction, the way that the landmarks run from proximal to distal; with the
    origin alone, away from the open top.

    Raises
    ------
    MeshError
        If neither says which end is distal.
    """
    away = mesh.vertices - mesh.vertices.mean(axis=0)
    long = np.linalg.eigh(away.T @ away)[1][:, 2]
    sense = _tendency(landmarks, amputation, long)
    if sense == 0.0:
        loops = border_loops(mesh)
        edge = mesh.vertices[top_loop(mesh, loops)].mean(axis=0) if loops else mesh.vertices.mean(axis=0)
        sense = float(np.sign((origin - edge) @ long)) if loops else 0.0
    if sense == 0.0:
        raise MeshError(
            "nothing says which end of the scan is distal",
            wanted="a second landmark distal or proximal of the origin, or a scan that is open at the top",
            hint=f"or say the plane of `trim`: {_PLANE}",
        )
    return np.asarray(sense * long)


def _tendency(landmarks: Mapping[str, RawLandmark], amputation: str, along: Floats) -> float:
    """+1 where places run along a direction from proximal names to distal ones, -1 against it, 0 where nothing says."""
    names = vocabulary(amputation)
    ranked = np.array(
        [
            (names.rank(name), float(raw.points.mean(axis=0) @ along))
            for name, raw in landmarks.items()
            if name in names.downwards and len(raw.points)
        ]
    ).reshape(-1, 2)
    if len(ranked) < 2:
        return 0.0
    off = ranked - ranked.mean(axis=0)
    return float(np.sign((off[:, 0] * off[:, 1]).sum()))
