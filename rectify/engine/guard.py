"""The guard: where the asked move would fold the surface or pass the slope limit, it backs off, smoothly.

Each vertex has a share of its local move that it may keep, 1 to begin with. At every bad face the share is lowered,
by no more than the face needs where that is known, and the lowering runs out smoothly over some millimetres around it,
whatever the mesh's edges; and so on until no face is bad. Vertices that were not to move do not; faces are never
touched. What the guard looks at: faces turned over or crushed against the captured surface, the slope of the move
along the surface, and faces that pass through others where the capture's did not.

A wall that is formed turns its faces on purpose, a seat by a right angle: there a face is held against the same wall
formed a third, two thirds and all of the way, and it is the forming that gives way, after the local move.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rectify.engine.places import Places
from rectify.errors import RectifyError
from rectify.geometry.cap import Cap
from rectify.geometry.corners import any_corner, columns, edges_of, highest, in_parts
from rectify.geometry.crossings import Spine, crossing_faces, crossing_near
from rectify.geometry.mesh import Faces, Floats, Ints, Points
from rectify.geometry.normals import dots, face_cross
from rectify.limb.chart import ROW_MM, Chart
from rectify.limb.limb import Limb

__all__ = ["Guarded", "flipped_faces", "guard", "slopes", "turned_over"]

_ROUNDS = 80
_LOWER = 0.85  # the least share of its move that a bad face keeps each round
_JUST_UNDER = 0.995
_SPENT_MM = 0.02  # a region's move that is no more than this is not what folds a face
_SPREAD_MM = 8.0  # about how far around a bad face the lowering runs out
_CRUSHED = 0.02  # of its area


@dataclass(frozen=True, eq=False)
class Guarded:
    """A surface that is fit to be cut.

    Parameters
    ----------
    vertices : (n, 3) mm
    base : (n, 3) mm
        The reduced surface, as far as it could be had.
    share : (n,) of its asked local move that each vertex kept
    eased : (n,) of its move to the reduced surface that each vertex kept
    formed : (n,) of the move that forms walls and flares that each vertex kept
    rounds : int
        0 where nothing had to back off.
    crossings, crossings_of_capture : int
        Faces that pass through others, now and in the capture; none that were not there before.
    """

    vertices: Points
    base: Points
    share: Floats
    eased: Floats
    formed: Floats
    rounds: int
    crossings: int
    crossings_of_capture: int


def flipped_faces(before: Points, after: Points, faces: Faces) -> NDArray[np.bool_]:
    """(m,) faces that a move turned over or crushed to under 2 % of their area."""

    def bad(part: Faces) -> NDArray[np.bool_]:
        old, new = face_cross(before, part), face_cross(after, part)
        return np.asarray(dots(old, new) <= _CRUSHED * dots(old, old))

    return in_parts(bad, faces)


def turned_over(capture: Points, form: Points, vertices: Points, faces: Faces) -> NDArray[np.bool_]:
    """(m,) faces that are turned over between the capture and a finished surface, or crushed.

    A seat lies square to the wall that it is folded from, so what forms walls is followed in thirds of its way `form`
    (n, 3), and all the rest is held against the formed surface.
    """
    bad = flipped_faces(capture + form, vertices, faces)
    return bad | _turned_in_forming(capture, form, faces) if form.any() else bad


def slopes(vertices: Points, faces: Faces, move: Floats) -> Floats:
    """(m,) how steeply a move along the normal changes over each face of the surface it starts from: mm per mm."""

    def steepness(part: Faces) -> Floats:
        (ux, uy, uz), (wx, wy, wz) = edges_of(vertices, part)
        at_a, at_b, at_c = (move.take(corner) for corner in columns(part))
        du, dw = at_b - at_a, at_c - at_a
        uu, ww, uw = ux * ux + uy * uy + uz * uz, wx * wx + wy * wy + wz * wz, ux * wx + uy * wy + uz * wz
        det = np.maximum(uu * ww - uw * uw, 1e-12)
        p, q = (ww * du - uw * dw) / det, (uu * dw - uw * du) / det
        return np.asarray(np.sqrt(np.maximum(p * du + q * dw, 0.0)))

    return in_parts(steepness, faces)


def guard(
    limb: Limb,
    places: Places,
    base: Points,
    normals: Points,
    step: Points,
    steepest: float,
    form: Points | None = None,
) -> Guarded:
    """Move the reduced surface by `step`, backing off where it must.

    Parameters
    ----------
    limb : Limb
        As captured.
    places : Places
        Of its vertices.
    base : (n, 3) mm
        The reduced surface.
    normals : (n, 3) unit
        Of the reduced surface.
    step : (n, 3) mm
    steepest : float
        Tangent of the slope limit.
    form : (n, 3) mm, optional
        The part of the way from the capture to `base` that forms walls.

    Raises
    ------
    RectifyError
        If no shape could be found; nothing folded or open is ever returned.
    """
    share, eased, kept = np.ones(len(base)), np.ones(len(base)), np.ones(len(base))
    capture, faces = limb.mesh, limb.mesh.faces
    height = dots(step, normals)
    form = form if form is not None and form.any() else None
    shift = base - capture.vertices if form is None else base - capture.vertices - form
    reference = capture.vertices if form is None else moved(capture.vertices, form)
    known = None
    for done in range(_ROUNDS):
        vertices = moved(base, share[:, None] * step)
        keep = _to_keep(reference, base, vertices, height * share, faces, steepest)
        if form is not None:
            keep[_turned_in_forming(capture.vertices, kept[:, None] * form, faces)] = _LOWER
        if keep.min(initial=1.0) >= 1.0:
            known = _crossings_of_capture(limb) if known is None else known
            now = _crossings(limb, vertices)
            new = np.setdiff1d(now, known)
            if len(new) == 0:
                return Guarded(vertices, base, share, eased, kept, done, len(now), len(known))
            keep = np.where(_near_crossings(new, faces, limb.cap), _LOWER, 1.0)
        # where the regions have nothing left to give, what forms walls gives, and then the overall move and the end
        spent = highest(np.abs(height * share), faces) < _SPENT_MM
        lost = _at_vertices(np.where(spent, 0.0, 1.0 - keep), faces, len(base))
        share = share * (1.0 - _spread(limb.chart, places, lost))
        if not (spent & (keep < 1)).any():
            continue
        if form is not None:
            formed = highest(kept * np.linalg.norm(form, axis=1), faces) >= _SPENT_MM
            lost = _at_vertices(np.where(spent & formed, 1.0 - keep, 0.0), faces, len(base))
            kept = kept * (1.0 - _spread(limb.chart, places, lost))
            reference = moved(capture.vertices, kept[:, None] * form)
            spent &= ~formed
        lost = _at_vertices(np.where(spent, 1.0 - keep, 0.0), faces, len(base))
        eased = eased * (1.0 - _spread(limb.chart, places, lost))
        base = moved(capture.vertices, eased[:, None] * shift + (0.0 if form is None else kept[:, None] * form))
    raise RectifyError(
        "no sound shape was found: the surface still folds after backing off",
        found=f"{int((keep < 1).sum())} faces",
        hint="is the capture folded where the regions lie? nothing was written",
    )


def _turned_in_forming(capture: Points, form: Points, faces: Faces) -> NDArray[np.bool_]:
    """(m,) faces that are turned over, or crushed, on some third of the way to the formed walls."""
    bad = np.zeros(len(faces), dtype=bool)
    at = np.flatnonzero(any_corner((form[:, 0] != 0) | (form[:, 1] != 0) | (form[:, 2] != 0), faces))
    used = np.zeros(len(capture), dtype=bool)
    used[faces[at].ravel()] = True
    some = (np.cumsum(used) - 1)[faces[at]]
    start, way = capture[used], form[used]
    before = start
    for share in (1.0 / 3.0, 2.0 / 3.0, 1.0):
        after = start + share * way
        bad[at] |= flipped_faces(before, after, some)
        before = after
    return bad


def _to_keep(
    reference: Points, base: Points, vertices: Points, height: Floats, faces: Faces, steepest: float
) -> Floats:
    """What share of its present move each face may keep, (m,): 1 where it is sound against a reference surface."""
    keep = np.where(flipped_faces(reference, vertices, faces), _LOWER, 1.0)
    steep = slopes(base, faces, height)
    over = steep > steepest
    keep[over] = np.minimum(keep[over], np.maximum(_JUST_UNDER * steepest / steep[over], _LOWER))
    return keep


def _crossings_of_capture(limb: Limb) -> Ints:
    """The same of the limb as captured, looked for once."""
    return limb.once("crossings", lambda: _crossings(limb, limb.mesh.vertices))


def _crossings(limb: Limb, vertices: Points) -> Ints:
    """Faces of the closed body that pass through others: the wall's among themselves, and the membrane's with any."""
    wall = limb.mesh.with_vertices(vertices)
    spine = Spine(np.array([0.0, 0.0, -limb.chart.centre_mm]), np.array([0.0, 0.0, 1.0]))
    own = crossing_faces(wall, spine, [limb.cap.loop])
    return np.union1d(own, crossing_near(limb.closed_over(vertices), len(wall.faces)))


def _near_crossings(crossing: Ints, faces: Faces, cap: Cap) -> NDArray[np.bool_]:
    """(m,) the wall's faces among the crossing ones; where only the membrane crosses, those along its edge."""
    bad = np.zeros(len(faces), dtype=bool)
    bad[crossing[crossing < len(faces)]] = True
    if bad.any():
        return bad
    at_edge = np.zeros(faces.max() + 1, dtype=bool)
    at_edge[cap.loop] = True
    return any_corner(at_edge, faces)


def moved(base: Points, step: Points) -> Points:
    """The surface after a step (n, 3); a vertex with none keeps its bits."""
    out = base.copy()
    moves = (step[:, 0] != 0) | (step[:, 1] != 0) | (step[:, 2] != 0)
    out[moves] += step[moves]
    return out


def _at_vertices(per_face: Floats, faces: Faces, n: int) -> Floats:
    """The largest value among the faces of each vertex: (n,)."""
    out = np.zeros(n)
    some = np.flatnonzero(per_face > 0)
    for i in range(3):
        np.maximum.at(out, faces[some, i], per_face[some])
    return out


def _spread(chart: Chart, places: Places, lost: Floats) -> Floats:
    """A loss at some vertices, carried smoothly to what lies around them: nowhere less than it was, (n,).

    On the chart: the largest loss within a radius, then a Gaussian, so that the slope it adds is bounded in mm.
    """
    from scipy.ndimage import gaussian_filter, maximum_filter

    at = np.flatnonzero(lost > 0)
    columns = chart.radius.shape[1]
    row = np.interp(places.stations[at], chart.stations, np.arange(len(chart.stations)))
    column = (places.angles[at] + 180.0) * (columns / 360.0)
    grid = np.zeros(chart.radius.shape)
    for i in (0, 1):  # to the four cells around, by nearness: a limb and its mirror round alike
        for j in (0, 1):
            r, c = np.floor(row).astype(np.int64) + i, np.floor(column).astype(np.int64) + j
            near = (1.0 - np.abs(row - r)) * (1.0 - np.abs(column - c))
            np.maximum.at(grid, (np.minimum(r, len(grid) - 1), c % columns), lost[at] * np.minimum(2.0 * near, 1.0))
    reach = round(2 * _SPREAD_MM / ROW_MM) | 1
    grid = maximum_filter(grid, size=reach, mode=("nearest", "wrap"))
    grid = gaussian_filter(grid, _SPREAD_MM / ROW_MM / 2, mode=("nearest", "wrap"))
    return np.asarray(np.maximum(lost, chart.read(grid, places.stations, places.angles).clip(0.0, 1.0)))
