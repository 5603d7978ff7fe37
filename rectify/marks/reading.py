"""Read the pencil marks of a capture: find them, say where they lie on the limb, and propose their names.

The origin and anterior come from the landmarks that are given, where they are; else from the marks themselves, with
the axis by fit over the limb. A name is proposed with its confidence and what else it might be; `marks_as_landmarks`
takes the sure ones, and the rest is for a person to name. Nothing here decides that a mark may be trusted: a landmark
read from a mark says `source: mark` wherever it goes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.limb.landmarks import RawLandmark
from rectify.marks.anatomy import ANATOMY, Anatomy
from rectify.marks.colours import PencilColour
from rectify.marks.find import find_marks
from rectify.marks.frames import absent_names, frame_of_landmarks, frame_of_marks, given_name, placed, sites_in
from rectify.marks.mark import Mark
from rectify.marks.names import Costs, Pose, shares_of
from rectify.marks.pose import held_poses
from rectify.marks.sites import Site, sites_of

__all__ = ["SURE", "MarkReading", "Proposal", "marks_as_landmarks", "propose_names", "read_marks"]

SURE = 0.8  # confidence from which a name is taken without asking
DOUBTFUL = 0.5  # the highest confidence of any name where the side may be wrong
OTHER_SIDE = 5.0  # by how much, in log units, the other side must fit better to be mentioned
COARSE_MM = 2.5  # a mesh with longer edges carries no stroke of a pencil safely
POINT_EVERY_MM = 10.0  # of a line taken as a landmark


@dataclass(frozen=True)
class Proposal:
    """What a mark may stand for.

    Parameters
    ----------
    mark : int
        Index of the mark; of a ring with a dot in it, of the dot.
    name : str or None
        The likeliest landmark; None where it more likely stands for none in the table.
    confidence : float, 0 to 1
        That this is a mark and its name this one; of None, that it stands for none.
    alternatives : (name, confidence), the next likeliest first
    also : indices of further marks of the same place
    given : bool
        A person gave this landmark already, within 9 mm.
    """

    mark: int
    name: str | None
    confidence: float
    alternatives: tuple[tuple[str, float], ...] = ()
    also: tuple[int, ...] = ()
    given: bool = False


@dataclass(frozen=True, eq=False)
class MarkReading:
    """The marks of a capture.

    Parameters
    ----------
    marks : tuple of Mark
        In the capture's axes; with level and angle where the limb's frame could be told.
    proposals : tuple of Proposal
        One for each place that may carry a name, in the order of the marks.
    frame : (4, 4) or None
        From the capture's axes to the limb frame, as far as it is known; None where it could not be told.
    frame_from : 'landmarks' | 'marks' | None
    notes : what a person should know, in words
    """

    marks: tuple[Mark, ...]
    proposals: tuple[Proposal, ...]
    frame: Floats | None
    frame_from: str | None
    notes: tuple[str, ...]


def read_marks(
    mesh: Mesh,
    *,
    side: str,
    amputation: str,
    colour: str | PencilColour = "blue-violet",
    landmarks: Mapping[str, RawLandmark] | None = None,
) -> MarkReading:
    """Find the marks of a capture, place them and propose their names.

    Parameters
    ----------
    mesh : Mesh
        In mm, with a colour per vertex, its faces outward, open at the top.
    side : 'left' | 'right'
    amputation : str
    colour : a word of COLOURS, `#rrggbb`, or a PencilColour
    landmarks : name -> RawLandmark
        Those a person gave, in the capture's axes; may be empty.

    Raises
    ------
    MeshError, CaseError
        As `find_marks`.
    """
    reading = propose_names(find_marks(mesh, colour), mesh, side=side, amputation=amputation, landmarks=landmarks)
    a, b = mesh.faces[:, 0], mesh.faces[:, 1]
    edge = float(np.median(np.linalg.norm(mesh.vertices[a] - mesh.vertices[b], axis=1)))
    if edge <= COARSE_MM:
        return reading
    note = f"the scan's edges are {edge:.1f} mm long: pencil strokes thinner than that are lost between its vertices"
    return replace(reading, notes=(*reading.notes, note))


def propose_names(
    marks: tuple[Mark, ...],
    mesh: Mesh,
    *,
    side: str,
    amputation: str,
    landmarks: Mapping[str, RawLandmark] | None = None,
) -> MarkReading:
    """Place marks on the limb and propose their names; parameters as `read_marks`."""
    given = dict(landmarks or {})
    anatomy = ANATOMY.get(amputation)
    frame = frame_of_landmarks(mesh, side, amputation, given)
    known = None if frame is None else "landmarks"
    notes: list[str] = []
    if anatomy is None:
        notes.append(f"where marks lie on a {amputation} limb is not known here: a person names them")
    told: list[tuple[Pose, float]] = []
    if frame is not None and anatomy is not None:
        told = list(_held(marks, mesh, frame, side, anatomy, given))
    elif anatomy is not None:
        frame, told = frame_of_marks(marks, mesh, side, amputation, anatomy, given)
        if frame is None:
            notes.append("too little is marked to tell how the limb lies: a person names the marks")
        elif marks:
            notes.append("levels and angle 0 are taken from the pencil marks themselves")
    if frame is None or anatomy is None or not told:
        where = marks if frame is None else placed(marks, frame, side)
        unnamed = tuple(Proposal(s.marks[0], None, 0.0, (), s.marks[1:]) for s in sites_of(marks, np.eye(4), 1.0))
        return MarkReading(where, unnamed, frame, known, tuple(notes))
    proposals = _proposals(marks, frame, side, anatomy, given, told)
    if _other_side(marks, mesh, frame, side, anatomy, given, min(cost for _, cost in told)):
        other = "left" if side == "right" else "right"
        notes.append(f"the marks fit a {other} limb better, so no name is sure: is the case's side right?")
        proposals = tuple(replace(p, confidence=min(p.confidence, DOUBTFUL)) for p in proposals)
    if known is None:  # the limb's own frame, if the marks that fix it are sure
        named = marks_as_landmarks(MarkReading(placed(marks, frame, side), proposals, frame, "marks", ()))
        own = frame_of_landmarks(mesh, side, amputation, {**named, **given})
        frame = frame if own is None else own
    return MarkReading(placed(marks, frame, side), proposals, frame, known or "marks", tuple(notes))


def marks_as_landmarks(reading: MarkReading, sure: float = SURE) -> dict[str, RawLandmark]:
    """The landmarks that marks surely stand for, in the capture's axes, `source` mark; not those a person gave.

    Parameters
    ----------
    reading : MarkReading
    sure : float
        Least confidence.
    """
    out = {}
    for proposal in reading.proposals:
        if proposal.name is None or proposal.given or proposal.confidence < sure:
            continue
        mark = reading.marks[proposal.mark]
        long = mark.kind == "line" and _is_line(proposal.name)
        out[proposal.name] = RawLandmark(_thinned(mark.curve) if long else mark.place[None], source="mark")
    return out


def _is_line(name: str) -> bool:
    return any(e.name == name and e.length_mm is not None for a in ANATOMY.values() for e in a.expected)


def _thinned(curve: Points) -> Points:
    gone = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(curve, axis=0), axis=1))])
    at = np.linspace(0.0, gone[-1], max(2, round(gone[-1] / POINT_EVERY_MM) + 1))
    return np.stack([np.interp(at, gone, curve[:, i]) for i in range(3)], axis=1)


def _held(
    marks: tuple[Mark, ...],
    mesh: Mesh,
    frame: Floats,
    side: str,
    anatomy: Anatomy,
    given: Mapping[str, RawLandmark],
) -> tuple[tuple[Pose, float], ...]:
    end = float((-(mesh.vertices @ frame[2, :3] + frame[2, 3])).max())
    return held_poses(Costs(sites_in(marks, frame, side, given), anatomy, absent_names(given)), end)


def _other_side(
    marks: tuple[Mark, ...],
    mesh: Mesh,
    frame: Floats,
    side: str,
    anatomy: Anatomy,
    given: Mapping[str, RawLandmark],
    cost: float,
) -> bool:
    """Whether the marks fit the other side clearly better about the same level and anterior."""
    other = "left" if side == "right" else "right"
    return min(c for _, c in _held(marks, mesh, frame, other, anatomy, given)) < cost - OTHER_SIDE


# -- names ----------------------------------------------------------------------------------------


def _proposals(
    marks: tuple[Mark, ...],
    frame: Floats,
    side: str,
    anatomy: Anatomy,
    given: Mapping[str, RawLandmark],
    poses: list[tuple[Pose, float]],
) -> tuple[Proposal, ...]:
    lateral = 1.0 if side == "right" else -1.0
    sites = sites_in(marks, frame, side, given)
    costs = Costs(sites, anatomy, absent_names(given))
    best = min(cost for _, cost in poses)
    totals = np.full((len(sites), len(anatomy.expected) + 1), np.inf)
    for pose, cost in poses:
        if cost - best > 12.0:
            continue
        named = costs.named(pose)
        prior = costs.prior(pose)
        totals = np.minimum(totals, shares_of(named, costs.free) + prior)
    names = [e.name for e in anatomy.expected]
    out = []
    k = 0
    for site in sites_of(marks, frame, lateral):
        taken = given_name(marks, site, given)
        if taken is not None:
            out.append(Proposal(site.marks[0], taken, 1.0, (), site.marks[1:], given=True))
            continue
        out.append(_proposal(site, totals[k], names))
        k += 1
    return tuple(sorted(out, key=lambda p: p.mark))


def _proposal(site: Site, totals: Floats, names: list[str]) -> Proposal:
    weight = np.exp(-(totals - totals.min()))
    share = weight / weight.sum()
    order = np.argsort(-share, kind="stable")
    top = int(order[0])
    others = tuple(
        (names[j], round(float(share[j] * site.confidence), 3)) for j in order[1:] if j < len(names) and share[j] > 0.02
    )
    name = names[top] if top < len(names) else None
    sure = float(share[top] * site.confidence) if name is not None else float(share[top])
    return Proposal(site.marks[0], name, sure, others[:4], site.marks[1:])
