"""Lay two shapes of one limb over each other, or say why that cannot be done.

Rigid only: a size that differs is a difference, not something to be made up. Where both come from one scan its axes say
where they lie, exactly, and nothing is fitted. Otherwise landmarks bring them together where both have them and the
half of the surface that agrees best settles them; without landmarks the surface alone decides, tried from all round.
Refused: other sides or amputations, sizes that differ by more than a fifth, a mirror image that fits clearly better,
and shapes of which half lies farther apart than any rectification takes it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rectify.errors import InputError, MeshError
from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.geometry.normals import face_areas, unit, vertex_normals
from rectify.geometry.register import Fit, Marks, Quick, Room, fit, room, rough_fit, spread_points
from rectify.geometry.rigid import carried, fit_points, inverse, turn_deg
from rectify.geometry.signed import Tree
from rectify.rulebook.plan import Warn
from rectify.studies.pose import Standing, girth_mm, stand, starts
from rectify.studies.version import Version

__all__ = ["HOW", "MOST_APART_MM", "SIZES", "Alignment", "align", "check_apart", "check_one_limb"]

HOW = ("auto", "none", "scan", "landmarks", "shape")
SIZES = (0.8, 1.25)  # AFTER over BEFORE, in thickness over the same length: no limb shrinks or is reduced by so much
MOST_APART_MM = 6.0  # half of the surface farther apart than this: not one limb, or not in place
_POINTS, _ROUGH_POINTS, _TRIED, _NEARLY_STEPS = 3000, 800, 6, 20
_LEAST_MARKS = 3
# one person's places for a build-up scatter by 2.8 to 4.3 mm over repeated casts (Convery and others 2003): so do marks
_MARK_OFF_MM = 4.0
_MARKS_LOOK_MM = 10.0
_ROOM_LOOK_MM, _ROOM_LOOK_DEG = 2.0, 3.0  # from here on somebody should look: two people differ by 2 mm
_MIRROR_REFUSED, _MIRROR_LOOK, _MIRROR_LEAST_MM = 0.7, 1.2, 0.05
_RIVAL_LOOK, _RIVAL_DEG = 1.2, 25.0
_UNIT_RATIOS = {
    25.4: "inch and mm",
    10.0: "cm and mm",
    1000.0: "m and mm",
    2.54: "inch and cm",
    100.0: "m and cm",
    39.37: "m and inch",
}
_SAME_FRAME = 1e-6


@dataclass(frozen=True, eq=False)
class Alignment:
    """How the second shape was laid over the first.

    Parameters
    ----------
    method : none, scan, landmarks, landmarks-and-shape or shape
    frame : (4, 4)
        From AFTER's axes to BEFORE's.
    why : the method and its reason, in words
    turned_deg, shifted_mm : of the motion; the shift of AFTER's middle
    marks : name -> mm
        How far each common landmark is off afterwards.
    marks_rms_mm, kept_rms_mm, half_within_mm, mirror_rms_mm : None where not measured
        Of the landmarks; of the half of the surface that agrees best; the distance that half lies within; of a mirror
        image laid on in the same way.
    room : Room, optional
        How far it may still be moved before the fit is half as bad again.
    warnings : tuple of Warn
    """

    method: str
    frame: Floats
    why: str
    turned_deg: float = 0.0
    shifted_mm: float = 0.0
    marks: tuple[tuple[str, float], ...] = ()
    marks_rms_mm: float | None = None
    kept_rms_mm: float | None = None
    half_within_mm: float | None = None
    mirror_rms_mm: float | None = None
    room: Room | None = None
    warnings: tuple[Warn, ...] = ()


def check_one_limb(before: Version, after: Version) -> tuple[Warn, ...]:
    """Refuse what two cases or reports say themselves: another side, another amputation. Other codes are worth a look.

    Raises
    ------
    InputError
    """
    for what in ("amputation", "side"):
        one, two = getattr(before, what), getattr(after, what)
        if one is not None and two is not None and one != two:
            raise InputError(
                f"cannot be compared: not the same {what}",
                path=after.path,
                wanted=f"{one}, as {before.path}",
                found=two,
            )
    if before.code and after.code and before.code != after.code:
        text = f"the cases have different codes, {before.code} and {after.code}: is this one limb?"
        return (Warn("other-case", "look", text, ""),)
    return ()


def align(before: Version, after: Version, how: str = "auto") -> Alignment:
    """Lay AFTER over BEFORE.

    Parameters
    ----------
    how : of HOW
        auto: none or scan where both come from one scan, else landmarks and shape, else shape. scan: a model lies in
        the axes of the scan that the other was made from. landmarks: these alone. shape: the surface alone.

    Raises
    ------
    InputError
        It cannot be done so, or they are not one limb.
    """
    if how not in HOW:
        raise InputError("is no way to align", key="--align", wanted=", ".join(HOW), found=how)
    assert before.wall is not None and after.wall is not None
    _check_sizes(before, after)
    if how == "auto":
        how = _choice(before, after)
    if how in ("none", "scan"):
        found = _known(before, after, how)
    elif how == "landmarks":
        found = _by_landmarks(before, after)
    else:
        found = _by_shape(before, after, with_marks=how == "auto")
    return _described(found, before, after)


def _choice(before: Version, after: Version) -> str:
    one_scan = before.scan_sha256 is not None and before.scan_sha256 == after.scan_sha256
    return "scan" if one_scan and before.framed and after.framed else "auto"


# -- known ------------------------------------------------------------------------------------------


def _known(before: Version, after: Version, how: str) -> Alignment:
    eye = np.eye(4)
    if how == "none":
        return Alignment("none", eye, "not aligned: both are taken as they lie, as was asked for")
    ways = [eye if v.kind == "model" else v.scan_frame for v in (before, after)]
    if before.kind == after.kind == "model":
        raise InputError(
            "nothing says which scan the models lie in",
            key="--align",
            wanted="a case or a result on one side at least",
            hint="`--align none` takes both as they lie",
        )
    one, two = ways
    assert one is not None and two is not None
    frame = one @ inverse(two)
    if before.framed and after.framed:
        if np.abs(frame - eye).max() < _SAME_FRAME:
            return Alignment("none", eye, "not aligned: both were made from one scan and lie in one limb frame")
        why = "both were made from one scan: laid over each other in its axes; landmarks or axis differ between them"
        return Alignment("scan", frame, why)
    return Alignment("scan", frame, "the model is taken to lie in the axes of the other's scan, as was asked for")


# -- by landmarks -----------------------------------------------------------------------------------


def _common(before: Version, after: Version) -> tuple[list[str], Points, Points]:
    """Landmarks that both have: names, and their places in BEFORE and AFTER."""
    names = [name for name in before.marks if name in after.marks]
    one, two = (np.array([v.marks[name] for name in names], dtype=np.float64).reshape(-1, 3) for v in (before, after))
    return names, one, two


def _by_landmarks(before: Version, after: Version) -> Alignment:
    names, one, two = _common(before, after)
    if len(names) < _LEAST_MARKS:
        raise InputError(
            "cannot be aligned by landmarks",
            key="--align",
            wanted="three that both have marked, not on one line",
            found=", ".join(names) or "none",
            hint="mark more, or give `--align shape`",
        )
    frame = _marks_fit(names, one, two, after.path)
    return Alignment("landmarks", frame, f"by {len(names)} landmarks that both have")


def _marks_fit(names: list[str], one: Points, two: Points, path: str) -> Floats:
    """The motion that takes AFTER's marks to BEFORE's; a mirror image that fits far better is refused."""
    try:
        frame = fit_points(two, one)
    except MeshError as error:
        error.path, error.message = path, "cannot be aligned by landmarks: " + error.message
        raise
    straight, turned = (_rms(carried(two, f) - one) for f in (frame, fit_points(two, one, mirror=True)))
    if len(names) > 3 and turned < 0.5 * straight and straight > 2.0 * _MARK_OFF_MM:
        raise InputError(
            "the landmarks fit as a mirror image",
            path=path,
            wanted="the same side as the other",
            found=f"off by {turned:.1f} mm mirrored, {straight:.1f} mm as they are",
            hint="is one of them of the other side, or was left and right mixed up?",
        )
    return frame


def _rms(away: Points) -> float:
    return float(np.sqrt((away**2).sum(axis=1).mean()))


# -- by shape ---------------------------------------------------------------------------------------


def _by_shape(before: Version, after: Version, *, with_marks: bool) -> Alignment:
    assert before.wall is not None and after.wall is not None
    names, one, two = _common(before, after)
    area = [float(face_areas(v.wall.vertices, v.wall.faces).sum()) for v in (before, after) if v.wall is not None]
    # the smaller of the two is laid on the larger, so that what only one of them has does not count, and the same way
    # whichever comes first
    turned = area[1] < area[0]
    small, large = (after, before) if turned else (before, after)
    assert small.wall is not None and large.wall is not None
    tree, points = Tree(large.wall), spread_points(small.wall, _POINTS)
    start, marks, why, mirror = None, None, "by shape alone: ", None
    notes: list[Warn] = []
    if with_marks and len(names) >= _LEAST_MARKS:
        frame = _marks_fit(names, one, two, after.path)
        start = frame if turned else inverse(frame)
        pair = (two, one) if turned else (one, two)
        marks = Marks(*pair, _MARK_OFF_MM, min(area))
        why = f"by {len(names)} landmarks that both have, settled by the surface: "
    elif with_marks and before.framed and after.framed:
        start, why = np.eye(4), "by axis and origin of both limb frames, settled by the surface: "
    if start is None:
        found, mirror, notes = _from_all_round(small.wall, large.wall, points, tree, _path_of(before, after))
    else:
        found = fit(points, tree, start, marks=marks)
    axis = unit(stand(small.wall)[0].frame[2, :3])
    sure = room(points, tree, found, axis, marks=marks)
    frame = found.frame if turned else inverse(found.frame)
    half = float(found.off_mm[found.kept].max())
    why += f"half of it lies within {half:.2f} mm"
    method = "shape" if start is None else "landmarks-and-shape"
    made = Alignment(
        method,
        frame,
        why,
        kept_rms_mm=found.rms_mm,
        half_within_mm=half,
        mirror_rms_mm=mirror,
        room=sure,
        warnings=tuple(notes),
    )
    # enough landmarks hold what the surface leaves free: their mean is off by less than two people differ by
    held = marks is not None and _MARK_OFF_MM / np.sqrt(len(marks.points)) < _ROOM_LOOK_MM
    return made if held else replace(made, warnings=(*made.warnings, *_unsure(sure)))


def _path_of(before: Version, after: Version) -> str:
    return after.path if after.kind == "model" else before.path


def _unsure(sure: Room) -> list[Warn]:
    said = []
    if sure.along_mm >= _ROOM_LOOK_MM:
        said.append(f"{sure.along_mm:.1f} mm along the limb")
    if sure.turn_deg >= _ROOM_LOOK_DEG:
        said.append(f"{sure.turn_deg:.0f} degrees about it")
    if not said:
        return []
    text = (
        f"the alignment is not sure: moved by {' or '.join(said)} the shapes would fit about as well; landmarks on "
        "both, or models in the axes of one scan, settle it"
    )
    return [Warn("alignment-unsure", "look", text, "alignment")]


def _from_all_round(small: Mesh, large: Mesh, points: Points, tree: Tree, path: str) -> tuple[Fit, float, list[Warn]]:
    """The best fit from starts all round, how well a mirror image does, and what to look at.

    Raises
    ------
    InputError
        The mirror image fits clearly better.
    """
    over = 0.9 * min(stand(small)[0].length_mm, stand(large)[0].length_mm)
    ones, twos = stand(small, over), stand(large, over)
    quick = Quick(large.vertices, vertex_normals(large))
    rough = spread_points(small, _ROUGH_POINTS)
    straight, mirrored = (
        _fits([s for one in ones for two in twos for s in starts(one, two, mirror=m)], points, rough, tree, quick)
        for m in (False, True)
    )
    best, other = straight[0], mirrored[0]
    if other.rms_mm < _MIRROR_REFUSED * best.rms_mm and best.rms_mm - other.rms_mm > _MIRROR_LEAST_MM:
        raise InputError(
            "a mirror image fits better",
            path=path,
            wanted="the same side as the other",
            found=f"{other.rms_mm:.2f} mm apart mirrored, {best.rms_mm:.2f} mm as it is (the half that fits best)",
            hint="is one of them of the other side, or was it mirrored on export?",
        )
    notes: list[Warn] = []
    if other.rms_mm < _MIRROR_LOOK * best.rms_mm + _MIRROR_LEAST_MM:
        by = f"{other.rms_mm:.2f} against {best.rms_mm:.2f} mm"
        text = f"a mirror image fits about as well ({by}): see that the sides agree"
        notes.append(Warn("mirror-as-good", "look", text, "alignment"))
    for rival in straight[1:]:
        away = turn_deg(inverse(best.frame) @ rival.frame)
        if away > _RIVAL_DEG and rival.rms_mm < _RIVAL_LOOK * best.rms_mm + _MIRROR_LEAST_MM:
            by = f"{rival.rms_mm:.2f} against {best.rms_mm:.2f} mm"
            text = f"turned by {away:.0f} degrees it fits about as well ({by}): mark landmarks on both"
            notes.append(Warn("turn-as-good", "look", text, "alignment"))
            break
    return best, other.rms_mm, notes


def _fits(tried: list[Floats], points: Points, rough: Points, tree: Tree, quick: Quick) -> list[Fit]:
    """The best of many starts, the best first; that one is settled, the others nearly so."""
    found = sorted((rough_fit(rough, quick, start) for start in tried), key=lambda pair: pair[0])
    near = sorted((fit(rough, tree, f, steps=_NEARLY_STEPS) for _, f in found[:_TRIED]), key=lambda f: f.rms_mm)
    return [fit(points, tree, near[0].frame), *near[1:]]


# -- sizes, and what is said ------------------------------------------------------------------------


def _check_sizes(before: Version, after: Version) -> None:
    """Refuse shapes whose thickness differs by more than a fifth; by about 25.4 or 10 it is the units."""
    assert before.wall is not None and after.wall is not None
    one, two = _standing(before), _standing(after)
    lengths = one.length_mm, two.length_mm
    whole = [girth_mm(v.wall, s, s.length_mm) for v, s in ((before, one), (after, two)) if v.wall is not None]
    over = 0.9 * min(lengths)
    same = [girth_mm(v.wall, s, over) for v, s in ((before, one), (after, two)) if v.wall is not None]
    ratio = whole[1] / whole[0] if not 0.5 < lengths[1] / lengths[0] < 2.0 else same[1] / same[0]
    if SIZES[0] <= ratio <= SIZES[1]:
        return
    said = (
        f"mean distance from the axis {whole[0]:.4g} and {whole[1]:.4g} mm, "
        f"length {lengths[0]:.4g} and {lengths[1]:.4g} mm"
    )
    for factor, units in _UNIT_RATIOS.items():
        near = 1.4 if factor >= 10.0 else 1.18  # another limb, too, may be in other units
        if any(1.0 / near < x < near for x in (ratio / factor, ratio * factor)):
            raise InputError(
                f"the sizes differ by a factor of about {factor:g}, as {units} do",
                path=after.path,
                wanted="the right units",
                found=said,
                hint="give --before-units or --after-units: mm, cm, m or inch",
            )
    raise InputError(
        "cannot be one limb: the sizes differ too much",
        path=after.path,
        wanted=f"{SIZES[0]:g} to {SIZES[1]:g} times as thick as the other; nothing is scaled to fit",
        found=said,
    )


def _standing(version: Version) -> Standing:
    assert version.wall is not None
    return stand(version.wall)[0]


def _described(found: Alignment, before: Version, after: Version) -> Alignment:
    """With what the motion did and how far landmarks are off; refused where half of the surface is too far away."""
    assert before.wall is not None and after.wall is not None
    names, one, two = _common(before, after)
    away = np.linalg.norm(carried(two, found.frame) - one, axis=1)
    middle = after.wall.vertices.mean(axis=0)
    half = found.half_within_mm
    if half is None:
        off, _, _ = Tree(after.wall).nearest(carried(spread_points(before.wall, _POINTS), inverse(found.frame)))
        half = float(np.median(off))
    check_apart(half, found, after.path)
    rms = float(np.sqrt(np.mean(away**2))) if len(names) else None
    notes = list(found.warnings)
    if rms is not None and rms > _MARKS_LOOK_MM:
        text = f"common landmarks are off by {rms:.0f} mm (rms) after the alignment: {names[int(np.argmax(away))]} most"
        notes.append(Warn("landmarks-apart", "look", text, "alignment"))
    return replace(
        found,
        turned_deg=turn_deg(found.frame),
        shifted_mm=float(np.linalg.norm(carried(middle[None], found.frame)[0] - middle)),
        marks=tuple(zip(names, (float(x) for x in away), strict=True)),
        marks_rms_mm=rms,
        half_within_mm=half,
        warnings=tuple(notes),
    )


def check_apart(half_mm: float, found: Alignment, path: str) -> None:
    """Refuse shapes of which half lies farther apart than MOST_APART_MM.

    Raises
    ------
    InputError
    """
    if half_mm <= MOST_APART_MM:
        return
    fitted = found.method in ("landmarks-and-shape", "shape")
    raise InputError(
        "these do not lie over each other: not one limb, or not in place",
        path=path,
        wanted=f"half of the surface within {MOST_APART_MM:g} mm",
        found=f"within {half_mm:.1f} mm, {found.why.split(':')[0]}",
        hint=None if fitted else "`--align shape` looks for the place by the surface",
    )
