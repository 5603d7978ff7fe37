"""The demo cases: which limbs they are, how they were captured, what is known of them.

An invented clinic: codes, roles and dates stand for nobody. The limbs come from the generators here; what a
hand with a tape would have read is computed from the shape, off by at most 2 mm as a fixed seed has it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from rectify.synthetic.ankle import AnkleDisarticulation, ankle_disarticulation
from rectify.synthetic.knee import KneeDisarticulation, knee_disarticulation
from rectify.synthetic.leg import Transtibial, transtibial
from rectify.synthetic.limb import SyntheticLimb
from rectify.synthetic.thigh import Transfemoral, transfemoral

__all__ = ["CASES", "DemoCase", "Tape"]


@dataclass(frozen=True)
class Tape:
    """One hand measurement to be written: at a landmark, `distal` mm further along the axis. A calliper that was
    pressed (`pressed` mm in all) is said to be tight."""

    measure: str  # circumference | ap | ml
    at: str
    distal: float = 0.0
    pressed: float = 0.0


@dataclass(frozen=True)
class DemoCase:
    """One case folder.

    Parameters
    ----------
    code, says : str
        The case's code, and one line about the limb.
    limb : parameters of the generator
    scan : file name; its ending is the format
    units : 'mm' | 'cm'
    surface, shaping, layers, facts, wear, suspension, rulebook, tune : str
        As case.yaml has them; empty for none.
    turn_deg, shift_mm : three floats each
        The pose in the scanner's axes: turns about x, then y, then z, then a shift.
    marked : names in the order written; empty for all
    absent : names written as absent
    tape : hand measurements; over skin or, for a surface over a liner, over the liner
    """

    code: str
    says: str
    limb: Transtibial | Transfemoral | KneeDisarticulation | AnkleDisarticulation
    scan: str
    rulebook: str
    turn_deg: tuple[float, float, float]
    shift_mm: tuple[float, float, float]
    units: str = "mm"
    surface: str = "skin"
    shaping: str = "none"
    layers: str = "[]"
    facts: str = "{tissue: average, sensation: normal, circulation: normal, skin: intact, volume: stable}"
    wear: str = ""
    suspension: str = "sleeve"
    marked: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()
    tape: tuple[Tape, ...] = ()
    tune: tuple[str, ...] = field(default=())

    def made(self) -> SyntheticLimb:
        """The limb in the limb frame."""
        if isinstance(self.limb, Transtibial):
            return transtibial(self.limb)
        if isinstance(self.limb, Transfemoral):
            return transfemoral(self.limb)
        if isinstance(self.limb, KneeDisarticulation):
            return knee_disarticulation(self.limb)
        return ankle_disarticulation(self.limb)


PTB = "transtibial-patellar-tendon-bearing"
TSB = "transtibial-total-surface-bearing"
MPT = "mid-patellar-tendon"


def _girths(at: str, *distal: float) -> tuple[Tape, ...]:
    return tuple(Tape("circumference", at, step) for step in distal)


CASES = (
    DemoCase(
        code="RB-101",
        says="short, full, left; the fibula was taken out near its neck",
        limb=Transtibial(
            side="left",
            length=108,
            bulk=362,
            taper=0.92,
            end="round",
            knee_bend=6,
            crest=0.8,
            tubercle=0.9,
            fibular_head=0.8,
            distal_fibula=0,
            calf=0.8,
            scar=0,
            edge_mm=4.4,
        ),
        scan="scan.stl",
        rulebook=PTB,
        turn_deg=(8.0, -14.0, 35.0),
        shift_mm=(212.5, -40.0, 655.0),
        facts="{tissue: soft, sensation: normal, circulation: normal, skin: intact, volume: stable}",
        wear="[{liner: 3 mm}]",
        absent=("distal-fibula",),
        tape=(*_girths(MPT, 0, 25, 50), Tape("ap", MPT), Tape("ml", "medial-condyle")),
    ),
    DemoCase(
        code="RB-102",
        says="long, thin, bony, right",
        limb=Transtibial(
            side="right",
            length=192,
            bulk=318,
            taper=0.75,
            end="conical",
            knee_bend=10,
            crest=1.35,
            tubercle=1.2,
            fibular_head=1.25,
            distal_tibia=1.3,
            distal_fibula=1.2,
            patella=1.15,
            calf=0.8,
            edge_mm=3.05,
        ),
        scan="scan.ply",
        rulebook=PTB,
        turn_deg=(-92.0, 6.0, 170.0),
        shift_mm=(-31.0, 118.0, 24.0),
        facts="{tissue: firm, sensation: normal, circulation: normal, skin: intact, volume: stable}",
        suspension="cuff",
        tape=(*_girths(MPT, 0, 50, 100), Tape("ap", MPT), Tape("ml", "medial-condyle")),
        tune=(
            "{by: KW-cpo, on: 2026-03-12, after: fitting-1, why: redness after ten minutes, "
            "regions: {fibular-head: {change: +1 mm}}}",
        ),
    ),
    DemoCase(
        code="RB-103",
        says="bulbous, left; the scanner's export was set to cm",
        limb=Transtibial(
            side="left",
            length=142,
            bulk=328,
            taper=1.2,
            end="bulbous",
            knee_bend=7,
            crest=0.75,
            distal_tibia=0.7,
            fibular_head=0.9,
            edge_mm=3.15,
            noise_mm=0.08,
            seed=103,
        ),
        scan="scan.ply",
        rulebook=TSB,
        turn_deg=(175.0, 22.0, -60.0),
        shift_mm=(64.0, 9.0, -310.0),
        units="cm",
        facts="{tissue: soft, sensation: reduced, circulation: reduced, skin: fragile, volume: changing}",
        wear="[{liner: 6 mm}]",
        suspension="vacuum",
        tape=(*_girths(MPT, 0, 40, 75), Tape("ap", MPT)),
    ),
    DemoCase(
        code="RB-104",
        says="average, right, scanned over its 6 mm liner; only what must be marked is marked",
        limb=Transtibial(
            side="right",
            length=158,
            bulk=372,
            taper=0.87,
            knee_bend=8,
            crest=0.7,
            tubercle=0.75,
            fibular_head=0.7,
            distal_tibia=0.7,
            distal_fibula=0.7,
            patella=0.8,
            tendon=0.75,
            popliteal=0.8,
            hamstrings=0.7,
            scar=0,
            edge_mm=3.15,
        ),
        scan="scan.ply",
        rulebook=TSB,
        turn_deg=(-5.0, 88.0, 12.0),
        shift_mm=(402.0, 77.0, 15.0),
        surface="liner",
        layers="[{liner: 6 mm, measured: yes}]",
        wear="[{liner: 6 mm}]",
        suspension="pin",
        marked=(MPT, "tibial-tubercle", "tibial-crest", "fibular-head", "distal-tibia"),
        tape=_girths(MPT, 0, 50, 100),
    ),
    DemoCase(
        code="RB-105",
        says="transfemoral, mid-length, right, scanned to above the groin",
        limb=Transfemoral(side="right", length=236, bulk=532, taper=0.73, edge_mm=4.35),
        scan="scan.ply",
        rulebook="transfemoral-sub-ischial",
        turn_deg=(14.0, -9.0, -118.0),
        shift_mm=(-15.0, 260.0, 830.0),
        wear="[{liner: 3 mm, measured: yes}]",
        suspension="suction",
        tape=_girths("perineum", 50, 100, 150),
    ),
    DemoCase(
        code="RB-106",
        says="tissue left over behind, right; the inside of a plaster impression shaped by hand",
        limb=Transtibial(
            side="right",
            length=150,
            bulk=356,
            taper=0.96,
            end="redundant",
            knee_bend=12,
            crest=0.9,
            pressed=3.0,
            edge_mm=3.25,
        ),
        scan="scan.ply",
        rulebook=PTB,
        turn_deg=(40.0, 130.0, 5.0),
        shift_mm=(0.0, -120.0, 95.0),
        surface="impression-inside",
        shaping="hand",
        layers="[{plastic-film: 0 mm}]",
        wear="[{sock: 1 mm}]",
        facts="{tissue: soft, sensation: normal, circulation: normal, skin: intact, volume: stable}",
        tape=(*_girths(MPT, 50, 75), Tape("ap", MPT)),
    ),
    DemoCase(
        code="RB-107",
        says="disarticulated at the knee, left; scanned from the groin to the end",
        limb=KneeDisarticulation(side="left", thigh=292, bulk=346, waist=0.92, edge_mm=4.6),
        scan="scan.ply",
        rulebook="knee-disarticulation",
        turn_deg=(-70.0, 12.0, 40.0),
        shift_mm=(85.0, -60.0, 410.0),
        wear="[{liner: 3 mm}]",
        suspension="self",
        tape=(*_girths("perineum", 60, 120), Tape("circumference", "condylar-level"), Tape("ml", "medial-condyle")),
    ),
    DemoCase(
        code="RB-108",
        says="disarticulated at the ankle, right; AP at the knee by a calliper that was pressed",
        limb=AnkleDisarticulation(side="right", length=350, bulk=334, bulb=0.76, waist=0.84, edge_mm=4.3),
        scan="scan.ply",
        rulebook="ankle-disarticulation",
        turn_deg=(20.0, -100.0, 65.0),
        shift_mm=(-140.0, 35.0, 280.0),
        wear="[{sock: 1 mm}]",
        suspension="self",
        tape=(
            *_girths(MPT, 0, 100),
            Tape("circumference", "supramalleolar-level"),
            Tape("circumference", "malleolar-level"),
            Tape("ap", MPT, pressed=6.0),
        ),
    ),
)
