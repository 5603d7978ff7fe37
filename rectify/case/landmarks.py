"""Landmarks as a case writes them: a point, a line of points, `absent`, or one beyond the capture's edge."""

from __future__ import annotations

import numpy as np

from rectify.errors import InputError, LandmarkError
from rectify.limb.landmarks import RawLandmark
from rectify.limb.vocabulary import vocabulary
from rectify.rulebook.words import shown, suggest
from rectify.rulebook.yamltext import Document, KeyPath, key_text, raise_all

__all__ = ["read_landmarks"]

_FARTHEST_MM = 1e6  # a kilometre from the scan's own zero; far beyond it squares of coordinates overflow
_WANTED = "[x, y, z]; a list of such points for a line; absent; or {xyz: [x, y, z], beyond-capture: yes}"


def read_landmarks(
    document: Document, under: KeyPath, value: object, amputation: str, mm: float
) -> dict[str, RawLandmark]:
    """Every landmark of a case, in the scan's own axes, mm.

    Parameters
    ----------
    document : Document
        For lines.
    under : KeyPath
        Where the landmarks stand in it: () in a file of their own.
    value : the mapping as read
    amputation : str
        For the names.
    mm : float
        Millimetres per unit of the scan: landmarks are in the scan's units.

    Raises
    ------
    LandmarkError, Faults
        Every fault, with its line.
    """
    if not isinstance(value, dict):
        raise LandmarkError(
            f"is {shown(value)}",
            path=document.path,
            line=document.line(under),
            key=key_text(under) or None,
            wanted="landmark names, each with its place",
        )
    names = vocabulary(amputation)
    faults: list[InputError] = []
    out: dict[str, RawLandmark] = {}
    for name, says in value.items():
        line, key = document.line((*under, name)), key_text((*under, name))
        if not names.knows(name):
            faults.append(
                LandmarkError(
                    f"no landmark {name} on a {amputation} limb",
                    path=document.path,
                    line=line,
                    key=key,
                    hint=suggest(name, names.names, what="landmarks there", listed=40)
                    + ", and marks of your own: mark-...",
                )
            )
            continue
        try:
            out[name] = _one(says, mm, line, is_line=names.is_line(name) or name.startswith("mark-"))
        except ValueError as problem:
            faults.append(LandmarkError(str(problem), path=document.path, line=line, key=key, wanted=_WANTED))
    raise_all(faults)
    return out


def _one(says: object, mm: float, line: int | None, *, is_line: bool) -> RawLandmark:
    if says == "absent":
        return RawLandmark(np.zeros((0, 3)), absent=True, line=line)
    beyond = False
    if isinstance(says, dict):
        extra = set(says) - {"xyz", "beyond-capture"}
        if extra or "xyz" not in says or not isinstance(says.get("beyond-capture", False), bool):
            raise ValueError("is not a place")
        beyond, says = bool(says.get("beyond-capture", False)), says["xyz"]
    if isinstance(says, list) and says and isinstance(says[0], list):
        if not is_line:
            raise ValueError("is a line of points, but this landmark is one point")
        points = [_point(p) for p in says]
    else:
        points = [_point(says)]
    places = np.array(points) * mm
    if np.abs(places).max() > _FARTHEST_MM:
        raise ValueError("lies more than a kilometre from the scan's zero")
    return RawLandmark(places, beyond_capture=beyond, line=line)


def _point(says: object) -> tuple[float, float, float]:
    if not isinstance(says, list) or len(says) != 3:
        raise ValueError(f"is {shown(says)}, not three numbers")
    for number in says:
        if isinstance(number, bool) or not isinstance(number, int | float):
            raise ValueError(f"has {shown(number)} where a number should be")
    x, y, z = (float(n) for n in says if isinstance(n, int | float))
    return x, y, z
