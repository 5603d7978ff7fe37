"""Faults of scanners, put on a clean limb by a seed: what the intake of raw scans is tried on.

    limb -> faults of the skin -> faults of the mesh -> a pose, perhaps wrong units -> Damaged

Each fault says what was done, whether an honest intake can mend it, and what a refusal must name. Each kind has a
random stream of its own, so that a kind does the same whatever it is combined with. The same seed, the same scan.
Not promised: that two faults never hide each other (a hole may lie where a spike was).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.synthetic.faults_of_mesh import MESH
from rectify.synthetic.faults_of_skin import SKIN
from rectify.synthetic.scanned import Done, Scan

__all__ = ["KINDS", "REFUSED", "Damaged", "Done", "combination", "damage"]

KINDS = (*SKIN, *MESH, "pose", "units")
REFUSED = ("missing-half", "hole-huge", "dome", "sheet-whole", "two-limbs", "not-numbers", "units")
_APART = (  # of each of these at most one in a combination
    ("lid-large", "lid-grid", "dome", "missing-half"),
    ("inside-out", "mixed-sides"),
    ("ragged-top", "hole-at-top"),
    ("hole-wide", "hole-ragged", "holes", "hole-small", "hole-huge"),
    ("sheet-partial", "sheet-attached", "sheet-whole"),
    ("spike", "spike-through"),
)
_UNITS = {"cm": 0.1, "m": 0.001, "inch": 1 / 25.4, "tenths of a mm": 10.0}


@dataclass(frozen=True, eq=False)
class Damaged:
    """A raw scan and the limb that is in it.

    Parameters
    ----------
    mesh : Mesh
        As the scanner gives it: in its axes, and in mm unless a fault has changed that.
    landmarks : name -> (3,) or (k, 3)
        In the same axes.
    truth : Mesh
        The limb as it is, in the same axes.
    pose : (4, 4)
        From the limb frame to these axes.
    done : tuple of Done
    """

    mesh: Mesh
    landmarks: dict[str, Points]
    truth: Mesh
    pose: Floats
    done: tuple[Done, ...]

    @property
    def mendable(self) -> bool:
        """Whether every fault can be mended."""
        return all(done.mendable for done in self.done)

    @property
    def noise_mm(self) -> float:
        """Standard deviation of the noise, mm."""
        return max((done.noise_mm for done in self.done), default=0.0)

    @property
    def reach_mm(self) -> float:
        """How far filled places may lie off the truth, mm."""
        return max((done.reach_mm for done in self.done), default=0.0)


def damage(mesh: Mesh, landmarks: dict[str, Points], kinds: Sequence[str], seed: int) -> Damaged:
    """Put faults on a clean limb.

    Parameters
    ----------
    mesh : Mesh
        In the limb frame, mm, open at the top, outward.
    landmarks : name -> (3,) or (k, 3), mm
    kinds : of KINDS; the order in which they are put on is fixed
    seed : int

    Raises
    ------
    ValueError
        For a kind that does not exist.
    """
    unknown = sorted(set(kinds) - set(KINDS))
    if unknown:
        raise ValueError(f"no such fault: {', '.join(unknown)}")
    scan = Scan(mesh, mesh, dict(landmarks))
    for kind, fault in (SKIN | MESH).items():
        if kind in kinds:
            scan = fault(scan, _rng(seed, kind))
    pose = np.eye(4)
    if "pose" in kinds:
        scan, pose = _posed(scan, _rng(seed, "pose"))
    if "units" in kinds:
        scan, pose = _in_other_units(scan, pose, _rng(seed, "units"))
    return Damaged(scan.mesh, scan.landmarks, scan.truth, pose, scan.done)


def combination(seed: int) -> tuple[str, ...]:
    """One to five kinds that go together, a pose nearly always; about one in five cannot be mended."""
    rng = np.random.default_rng([seed, 77])
    refused = rng.random() < 0.2
    free = [kind for kind in KINDS if kind not in REFUSED and kind != "pose"]
    chosen = [str(rng.choice(REFUSED))] if refused else []
    for kind in rng.permutation(free)[: int(rng.integers(1, 6))]:
        rivals = [group for group in _APART if kind in group]
        if not any(other in group for group in rivals for other in chosen):
            chosen.append(str(kind))
    if rng.random() < 0.9:
        chosen.append("pose")
    return tuple(kind for kind in KINDS if kind in chosen)


def _rng(seed: int, kind: str) -> np.random.Generator:
    return np.random.default_rng([seed, KINDS.index(kind)])


def _posed(scan: Scan, rng: np.random.Generator) -> tuple[Scan, Floats]:
    pose = np.eye(4)
    pose[:3, :3] = Rotation.random(random_state=rng).as_matrix()
    pose[:3, 3] = rng.uniform(-600.0, 600.0, 3)
    return _carried(scan, pose, Done("pose", "an arbitrary pose")), pose


def _in_other_units(scan: Scan, pose: Floats, rng: np.random.Generator) -> tuple[Scan, Floats]:
    name = str(rng.choice(list(_UNITS)))
    scale = np.diag([_UNITS[name]] * 3 + [1.0])
    done = Done("units", f"written in {name}", mendable=False, refusal=("units",))
    return _carried(scan, scale, done), scale @ pose


def _carried(scan: Scan, by: Floats, done: Done) -> Scan:
    def move(points: Points) -> Points:
        return np.asarray(points @ by[:3, :3].T + by[:3, 3])

    with np.errstate(invalid="ignore"):
        mesh = scan.mesh.with_vertices(move(scan.mesh.vertices))
    landmarks = {name: move(points) for name, points in scan.landmarks.items()}
    return replace(
        scan,
        mesh=mesh,
        truth=scan.truth.with_vertices(move(scan.truth.vertices)),
        landmarks=landmarks,
        done=(*scan.done, done),
    )
