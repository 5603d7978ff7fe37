"""From a body by formula to a limb: fitted to what was asked, laid into the limb frame, meshed, marked.

Promised: the asked length, tape at the origin and taper come out to 0.01 % on the formula's surface; the z
axis is the line through the mesh's area centroids from 30 to 70 % of the way from origin to distal end; the
landmark that fixes angle 0 lies at angle 0; landmarks lie on the formula's surface; the left limb is the
exact mirror of the right. The body is brought onto its axis by moving its sections, not by tilting them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import ConvexHull

from rectify.errors import MeshError
from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.geometry.normals import vertex_normals
from rectify.geometry.sections import cut
from rectify.synthetic.body import Body
from rectify.synthetic.lattice import mirrored, weave

__all__ = ["Fit", "SyntheticLimb", "fitted", "inside_bounds", "laid", "lowest", "narrowest", "tape"]

ROUNDS = 40  # of fitting; some six are needed
CLOSE = 1e-6  # relative: when fitting stops
AXIS_LEVELS = 41
AXIS_FROM, AXIS_TO = 0.3, 0.7  # of the way from origin to distal end: where the axis is fitted


@dataclass(frozen=True)
class Fit:
    """What fitting may change in a body: the radius' scale, another at the shoulder, the trunk's end."""

    scale: float
    taper: float
    end: float


@dataclass(frozen=True, eq=False)
class SyntheticLimb:
    """A limb whose shape is known.

    Parameters
    ----------
    side, amputation : str
    mesh : Mesh
        Limb frame, mm: z proximal, y anterior, x to the person's right; open at the top, outward.
    landmarks : name -> (3,) or (k, 3), mm
        On the formula's surface; the mesh's chords cut up to a few tenths of a mm inside it.
    facts : name -> float
        Of the formula's surface: `length_mm`, `circumference_mm` (tape at the origin, or below the armpit), `taper`,
        `ap_mm` and `ml_mm` there, `shoulder_mm` (the level where the end begins).
    """

    side: str
    amputation: str
    mesh: Mesh
    landmarks: dict[str, Points]
    facts: dict[str, float]
    outline: Callable[[float], Points]

    def circumference(self, level_mm: float) -> float:
        """What a tape reads at a level of the formula's wall, mm: the length of the outline's hull."""
        return tape(self.outline(level_mm))

    def widths(self, level_mm: float) -> tuple[float, float]:
        """(AP, ML) at a level of the formula's wall, mm."""
        points = self.outline(level_mm)
        return float(np.ptp(points[:, 1])), float(np.ptp(points[:, 0]))


def tape(outline: Points) -> float:
    """The length of an outline's convex hull in x and y, mm."""
    return float(ConvexHull(outline[:, :2]).area)  # of a flat hull, `area` is its perimeter


def lowest(body: Body) -> Points:
    """(3,) the most distal point of the skin, to about 0.001 mm."""
    centre, reach = np.zeros(2), 0.6
    best = np.zeros(3)
    for _ in range(9):  # each round looks closer about the best point; the end as a disc about its pole
        offset = np.linspace(-reach, reach, 25)
        u, v = np.meshgrid(centre[0] + offset, centre[1] + offset)
        rise = np.clip(np.hypot(u, v), 0.0, 1.0) * 0.3
        points = body.surface(rise, np.arctan2(u, v))
        place = np.unravel_index(np.argmin(points[..., 2]), rise.shape)
        centre, best = np.array([u[place], v[place]]), points[place]
        reach /= 4.0
    return best


def narrowest(body: Body, first: float, last: float) -> float:
    """The level of the smallest tape between two levels of the wall, to 2 mm."""
    levels = np.arange(first, last, 2.0)
    return float(levels[int(np.argmin([tape(body.section(float(level), 180)) for level in levels]))])


def inside_bounds(limb: object, bounds: Mapping[str, tuple[float, float]]) -> None:
    """Refuse a parameter outside its bounds.

    Raises
    ------
    MeshError
    """
    for name, (low, high) in bounds.items():
        value = getattr(limb, name)
        if not low <= value <= high:
            raise MeshError(f"{name} is out of bounds", wanted=f"{low} to {high}", found=str(value))


def fitted(
    build: Callable[[Fit], Body], circumference: float, taper: float | None, length: float, *, at: float = 0.0
) -> Body:
    """The body whose tape at a level (0 where nothing else is said), taper (tape at the shoulder over that tape; None:
    left as it comes) and length are as asked.

    Raises
    ------
    MeshError
        If no such body is found: the features are too large for the girth asked.
    """
    fit = Fit(1.0, taper or 1.0, length)
    for _ in range(ROUNDS):
        body = build(fit)
        girth = tape(body.section(at))
        narrow = tape(body.section(body.trunk.shoulder)) / girth
        wanted = taper or narrow
        reach = -float(lowest(body)[2])
        off = max(abs(girth / circumference - 1), abs(narrow / wanted - 1), abs(reach / length - 1))
        if off < CLOSE:
            return body
        fit = Fit(fit.scale * circumference / girth, fit.taper * wanted / narrow, fit.end + length - reach)
    raise MeshError(
        "the girth, the taper and the features asked for do not make a limb",
        wanted=f"{circumference} mm, taper {wanted:.3f}, {length} mm long",
        found=f"{girth:.1f} mm, taper {narrow:.3f}, {reach:.1f} mm",
        hint="ask for smaller features or a larger girth",
    )


@dataclass(frozen=True)
class _Frame:
    """The body's own axes to the limb frame: the axis' line, then a turn about it. Levels stay."""

    start: Floats
    slope: Floats
    turn: float

    def __call__(self, points: Points) -> Points:
        x, y = (points[..., k] - self.start[k] + self.slope[k] * points[..., 2] for k in (0, 1))
        c, s = np.cos(self.turn), np.sin(self.turn)
        return np.stack([c * x - s * y, s * x + c * y, points[..., 2]], axis=-1)


def _frame(mesh: Mesh, span: tuple[float, float], ahead: Points) -> _Frame:
    """The axis through area centroids between two levels, and the turn that brings `ahead` to angle 0."""
    heights = -np.linspace(span[1], span[0], AXIS_LEVELS)
    _, middles = cut(mesh, mesh.vertices[:, 2], heights).areas_and_centroids()
    slope, start = np.polyfit(-heights, middles, 1)
    straight = _Frame(start, slope, 0.0)(ahead)
    return _Frame(start, slope, float(np.arctan2(straight[0], straight[1])))


def laid(
    body: Body,
    marks: Mapping[str, Points],
    *,
    side: str,
    amputation: str,
    length: float,
    ahead: str,
    edge_mm: float,
    noise_mm: float = 0.0,
    seed: int = 0,
    span: tuple[float, float] | None = None,
    at: float = 0.0,
) -> SyntheticLimb:
    """Mesh a body and lay it with its landmarks into the limb frame.

    Parameters
    ----------
    body : Body, of the right side
    marks : name -> (3,) or (k, 3), in the body's own axes
    side : 'right' | 'left'
    amputation : str
    length : float, mm
        From level 0 to the distal end.
    ahead : str
        The landmark that fixes angle 0.
    edge_mm : float, mm
    noise_mm, seed : float, int
        Standard deviation of an independent shift of each vertex along its normal.
    span : two levels, mm, optional
        Between which the axis runs through the middles; 30 to 70 % of the length by default.
    at : float, mm
        The level that girth and widths of the facts are of.

    Raises
    ------
    MeshError
        For a side that is neither right nor left, or an edge length that cannot be.
    """
    if side not in ("right", "left"):
        raise MeshError("a limb is of one side", wanted="right or left", found=side)
    mesh = weave(body.surface, edge_mm)
    frame = _frame(mesh, span or (AXIS_FROM * length, AXIS_TO * length), np.asarray(marks[ahead]))
    mirror = np.array([-1.0 if side == "left" else 1.0, 1.0, 1.0])
    mesh = replace(mesh, vertices=frame(mesh.vertices))
    if noise_mm > 0:
        shift = noise_mm * np.random.default_rng(seed).standard_normal(len(mesh.vertices))
        mesh = replace(mesh, vertices=mesh.vertices + shift[:, None] * vertex_normals(mesh))
    if side == "left":
        mesh = mirrored(mesh)

    def outline(level_mm: float) -> Points:
        return np.asarray(frame(body.section(level_mm)) * mirror)

    origin, shoulder = outline(at), body.trunk.shoulder
    facts = {
        "length_mm": -float(lowest(body)[2]),
        "circumference_mm": tape(origin),
        "taper": tape(outline(shoulder)) / tape(origin),
        "ap_mm": float(np.ptp(origin[:, 1])),
        "ml_mm": float(np.ptp(origin[:, 0])),
        "shoulder_mm": shoulder,
    }
    landmarks = {name: frame(np.asarray(points)) * mirror + 0.0 for name, points in marks.items()}
    return SyntheticLimb(side, amputation, mesh, landmarks, facts, outline)
