"""Where levels start and which way is anterior, for each amputation."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from rectify.errors import LandmarkError
from rectify.geometry.mesh import Floats
from rectify.limb.landmarks import RawLandmark
from rectify.limb.vocabulary import vocabulary

__all__ = ["origin_of", "zero_of"]

# at what angle a landmark lies that fixes angle 0 but is not anterior
_ANGLE: dict[str, float] = {"greater-trochanter": 120.0, "lateral-condyle": 90.0}
_UNSURE = {
    "greater-trochanter": "angle 0 is taken from the greater trochanter at 120 degrees: "
    "one limb's reading, unsure by 15 degrees",
    "lateral-condyle": "angle 0 is taken square to the line between the condyles",
}


def origin_of(amputation: str, landmarks: Mapping[str, RawLandmark]) -> Floats:
    """The point whose level is 0, (3,) mm in the capture's axes; of two landmarks, midway.

    Raises
    ------
    LandmarkError
        If it is not marked.
    """
    names = vocabulary(amputation).origin
    missing = [name for name in names if not _there(landmarks, name)]
    if missing:
        raise LandmarkError(
            f"the origin of levels is not marked: {', '.join(missing)}",
            wanted=f"{' and '.join(names)} on a {amputation} limb",
            found=_listed(landmarks),
            hint=f"add `{missing[0]}: [x, y, z]` to the landmarks, in the scan's own units and axes",
        )
    return np.asarray(np.mean([landmarks[name].points[0] for name in names], axis=0))


def zero_of(
    amputation: str, landmarks: Mapping[str, RawLandmark], axis_point: Floats
) -> tuple[Floats, float, tuple[str, ...]]:
    """The direction that fixes the angle, (3,) in the capture's axes; its angle in degrees; and what was assumed.

    Parameters
    ----------
    axis_point : (3,) mm
        On the axis: a single landmark lies in the direction from there.

    Raises
    ------
    LandmarkError
        If none of the landmarks that can fix it is marked.
    """
    choices = vocabulary(amputation).zero
    for names in choices:
        if all(_there(landmarks, name) for name in names):
            points = [landmarks[name].points[0] for name in names]
            direction = points[0] - axis_point if len(names) == 1 else points[1] - points[0]
            name = names[-1]
            return direction, _ANGLE.get(name, 0.0), (_UNSURE[name],) if name in _UNSURE else ()
    raise LandmarkError(
        "nothing says which way is anterior",
        wanted=f"{' or '.join(' and '.join(names) for names in choices)} on a {amputation} limb",
        found=_listed(landmarks),
        hint=f"add `{choices[0][0]}: [x, y, z]` to the landmarks",
    )


def _there(landmarks: Mapping[str, RawLandmark], name: str) -> bool:
    return name in landmarks and not landmarks[name].absent


def _listed(landmarks: Mapping[str, RawLandmark]) -> str:
    return ", ".join(sorted(landmarks)) or "no landmarks"
