"""A check socket: shell, fitting and everything that was measured on them.

    Positive + SocketSpec -> CheckSocket -> folder of files

The shell has the numbers of its file from the start, so that what was checked is what is cut. Nothing about fit,
strength or comfort is known here: wall, fitting and alignment are what was asked for.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

import rectify
from rectify.errors import InputError
from rectify.fabrication.filed import faults_of, filed, unsound
from rectify.fabrication.fitting import Fitting, Seat, seat_of, with_fitting
from rectify.fabrication.made import Kind, save_made
from rectify.fabrication.manifest import FRAME
from rectify.fabrication.narrowing import Narrowing, best_pull, narrowing, pull_direction
from rectify.fabrication.narrowing_facts import narrowing_facts
from rectify.fabrication.positive import Positive
from rectify.fabrication.shell import Shell, Wall, make_shell
from rectify.fabrication.thickness import Thickness, check_thickness, thickness
from rectify.geometry.edges import survey
from rectify.geometry.mesh import Mesh
from rectify.geometry.normals import face_areas
from rectify.geometry.volume import volume

__all__ = ["SOCKET_REPORT", "CheckSocket", "SocketSpec", "make_socket"]

SOCKET_REPORT = "socket-report.json"
_KIND = Kind("socket", "check socket", "check-socket", "check socket", SOCKET_REPORT)
_SHARES = (0.70, 0.66, 0.74)  # of the wall: where a boss runs in it, tried in turn


@dataclass(frozen=True)
class SocketSpec:
    """What is asked of a check socket."""

    wall: Wall = field(default_factory=Wall)
    fitting: Fitting = field(default_factory=Fitting)


@dataclass(frozen=True, eq=False)
class CheckSocket:
    """A check socket and what was measured on it.

    Parameters
    ----------
    positive, spec : what went in
    shell : Shell
        Before boss and hole.
    mesh : Mesh
        The finished body, with the numbers of its file.
    seat : Seat
        Where the fitting sits.
    inside_out, outside_in : Thickness
        The wall both ways.
    along_axis, along_best : Narrowing
        What is in the limb's way along its axis, and along the easiest pull: that of least undercut, if it is easier.
    best_deg : flexion and adduction of that pull
    """

    positive: Positive
    spec: SocketSpec
    shell: Shell
    mesh: Mesh
    seat: Seat
    inside_out: Thickness
    outside_in: Thickness
    along_axis: Narrowing
    along_best: Narrowing
    best_deg: tuple[float, float]

    @cached_property
    def facts(self) -> dict[str, Any]:
        """What socket-report.json holds: mm, ml, degrees, limb frame."""
        return _facts(self)

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write STL, 3MF, report and manifest into a new folder, all of it or nothing.

        Raises
        ------
        OutputError
        """
        return save_made(self.positive, _KIND, self.mesh, self.facts, folder, replace=replace)


def make_socket(positive: Positive, spec: SocketSpec | None = None) -> CheckSocket:
    """A check socket about a positive model.

    Raises
    ------
    InputError
        There is no trimline, or it does not belong to the model; a measure that cannot be.
    RectifyError
        No sound shell was found.
    """
    spec = SocketSpec() if spec is None else spec
    if positive.trimline is None:
        raise InputError(
            "has no trimline, so nothing says where a socket ends",
            path=f"case {positive.code}",
            hint="give the rulebook a brim, or a curve with --trimline FILE",
        )
    shell = make_shell(positive.mesh, positive.trimline, spec.wall)
    both = thickness(shell)
    check_thickness(both)
    seat = seat_of(shell, spec.fitting, positive.side)
    inside = shell.within.mesh
    ways = ((0.0, 0.0), best_pull(inside, positive.side))
    pulls = [narrowing(positive.mesh, inside, pull_direction(*way, positive.side)) for way in ways]
    best = min((0, 1), key=lambda i: pulls[i].narrower_mm)
    finished = _finished(shell, spec.fitting, seat)
    return CheckSocket(positive, spec, shell, finished, seat, *both, pulls[0], pulls[best], ways[best])


def _finished(shell: Shell, fitting: Fitting, seat: Seat) -> Mesh:
    """The body as a file holds it; a boss that lies badly against the shell's faces is moved a little in the wall."""
    faults: list[str] = []
    for share in _SHARES if fitting.boss_mm else _SHARES[:1]:
        made = filed(with_fitting(shell, fitting, seat, share))
        faults = faults_of(made)
        if not faults:
            return made
    raise unsound("check socket", faults)


# -- facts -----------------------------------------------------------------------------------------


def _facts(made: CheckSocket) -> dict[str, Any]:
    positive, wall = made.positive, made.spec.wall
    shell = made.shell
    return {
        "format": 1,
        "program": {"name": "rectify", "version": rectify.__version__},
        "case": positive.code,
        "side": positive.side,
        "amputation": positive.amputation,
        "status": positive.status,
        "units": "mm",
        "frame": FRAME,
        "made_from": [{"file": name, "sha256": digest} for name, digest in positive.sources.items()],
        "wall": {
            "asked_mm": _mm(wall.wall_mm),
            "brim_asked_mm": _mm(wall.brim_mm),
            "end_asked_mm": _mm(wall.end_mm),
            "inside_to_outside": _thickness(made.inside_out),
            "outside_to_inside": _thickness(made.outside_in),
            "made_along": shell.way,
        },
        "brim": {
            "length_mm": _mm(shell.within.ring.length_mm),
            "edge_radius_mm": _mm(wall.brim_mm / 2),
            "beyond_capture_mm": _mm(positive.beyond_capture_mm),
        },
        "fitting": _fitting(made),
        "donning": {
            "along_axis": {"flexion_deg": 0.0, "adduction_deg": 0.0, **narrowing_facts(made.along_axis, positive.side)},
            "along_best_pull": {
                "flexion_deg": made.best_deg[0],
                "adduction_deg": made.best_deg[1],
                **narrowing_facts(made.along_best, positive.side),
            },
        },
        "shell": {
            "material_ml": round(volume(made.mesh) / 1000.0, 3),
            "inside_area_cm2": round(float(face_areas(*_arrays(shell.within.mesh)).sum()) / 100.0, 1),
            "height_mm": _mm(float(np.ptp(made.mesh.vertices[:, 2]))),
            "triangles": len(made.mesh.faces),
            "bodies": survey(made.mesh).body_count,
            "watertight": survey(made.mesh).watertight,
        },
        "look": list(looks(made)),
    }


def looks(made: CheckSocket) -> Iterator[str]:
    """What a person must look at before the shell goes to a machine."""
    yield from made.positive.looks
    if made.positive.beyond_capture_mm > 0:
        yield (
            f"{made.positive.beyond_capture_mm:.0f} mm of the trimline lie where no skin was captured: the brim there "
            "follows the model's open edge"
        )


def _fitting(made: CheckSocket) -> dict[str, Any]:
    asked, seat = made.spec.fitting, made.seat
    across = seat.at_level(0.0)
    lateral = 1.0 if made.positive.side == "right" else -1.0
    return {
        "hole_mm": _mm(asked.hole_mm),
        "boss_mm": _mm(asked.boss_mm),
        "height_mm": _mm(seat.height_mm),
        "flexion_deg": round(asked.flexion_deg, 2),
        "adduction_deg": round(asked.adduction_deg, 2),
        "anterior_mm": _mm(asked.anterior_mm),
        "lateral_mm": _mm(asked.lateral_mm),
        "centre_xyz": [_mm(x) for x in seat.centre.tolist()],
        "up_xyz": [round(x, 6) + 0.0 for x in seat.up.tolist()],
        "level_mm": _mm(-float(seat.centre[2])),
        "line_at_level_0": {"anterior_mm": _mm(float(across[1])), "lateral_mm": _mm(lateral * float(across[0]))},
    }


def _thickness(way: Thickness) -> dict[str, Any]:
    return {
        "places": way.points,
        "minimum_mm": _mm(way.minimum_mm),
        "mean_mm": _mm(way.mean_mm),
        "maximum_mm": _mm(way.maximum_mm),
        "most_below_asked_mm": _mm(way.lack_mm),
    }


def _mm(value: float) -> float:
    return round(float(value), 3) + 0.0


def _arrays(mesh: Mesh) -> tuple[Any, Any]:
    return mesh.vertices, mesh.faces
