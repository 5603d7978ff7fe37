"""After a fitting: what was found, in the order in which it is worth looking at, and what might be tried.

Seating and sock ply come first, then rotation and alignment, only then local pressure: a red fibular head is often a
limb that sank or turned, and relief there would hide the cause. Proposals are never applied by themselves, and none
promises anything: each says why and where it comes from, and a licensed practitioner decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from rectify.case.version import Finding
from rectify.rulebook.plan import Plan, RegionPlan

__all__ = ["ORDER", "Proposal", "propose"]

ORDER = ("seat", "turn", "place")
_PRACTICE = "common practice, no source"
# median thickness of single-material socks under walking load, mm, by ply
_SOCK_MM = {1: 0.7, 3: 1.2, 5: 1.5}
_SOCK_SOURCE = "Sanders et al. 2012, Prosthet Orthot Int 36(1): sock thickness under walking load (read as an abstract)"
_DAY_SOURCE = "Zachariah et al. 2004, J Rehabil Res Dev 41(5):683-694: limb volume after doffing (read as an abstract)"
_STEP_MM = 1.0
_LASTING_MIN = 10.0
_PRESSED, _LOOSE = ("redness", "blanching", "pain"), ("gap",)


@dataclass(frozen=True)
class Proposal:
    """Something that might be tried, or looked at first.

    Parameters
    ----------
    step : "seat", "turn" or "place"
    says : what
    why, source : str
    change : {"region": name, "amount": mm} or {"overall": percent added to every row}; empty: look, change nothing
    """

    step: str
    says: str
    why: str
    source: str
    change: dict[str, Any] = field(default_factory=dict)


def propose(findings: Sequence[Finding], plan: Plan, girth_mm: float) -> list[Proposal]:
    """What might be tried, in order.

    Parameters
    ----------
    findings : what was seen and felt
    plan : the plan that the socket was made by
    girth_mm : circumference of the model where the sock is worn, for the reach of a sock
    """
    out = [*_seat(findings, plan, girth_mm), *_turn(findings)]
    first = bool(out)
    out += [p for finding in findings if (p := _place(finding, plan, first)) is not None]
    out += _skin(findings)
    return sorted(out, key=lambda p: ORDER.index(p.step))


def _seat(findings: Sequence[Finding], plan: Plan, girth_mm: float) -> list[Proposal]:
    kinds = {finding.kind for finding in findings}
    out = []
    if "seated-deep" in kinds:
        out.append(
            Proposal(
                "seat", "Bring the limb to its seat with socks, and look at every place again before changing one",
                "a limb that sank carries on its bony places, wherever relief was built", _PRACTICE,
            )
        )  # fmt: skip
    if "seated-high" in kinds:
        out.append(
            Proposal(
                "seat", "Take socks off, or look what keeps the limb from its seat",
                "a limb that is not down bears on the brim and hangs at the end", _PRACTICE,
            )
        )  # fmt: skip
    if "pistoning" in kinds:
        out.append(
            Proposal(
                "seat", "Look at suspension and sock ply first",
                "movement rubs places that no relief can spare", _PRACTICE,
            )
        )  # fmt: skip
    ply = max((finding.ply or 0 for finding in findings if finding.kind == "sock-ply"), default=0)
    if ply:
        out.append(_tighter(ply, plan, girth_mm))
    return out


def _tighter(ply: int, plan: Plan, girth_mm: float) -> Proposal:
    nearest = min(_SOCK_MM, key=lambda known: abs(known - ply))
    percent = round(100.0 * 2.0 * 3.141592653589793 * _SOCK_MM[nearest] / girth_mm, 1)
    why = (
        f"{ply} ply fill about {_SOCK_MM[nearest]:g} mm all round (measured for {nearest} ply), {percent:g} % of the "
        "circumference here. Volume changes over the day and in the first minutes without the prosthesis: look twice"
    )
    change = {"overall": percent} if plan.overall is not None else {}
    says = f"If the same socks are needed every time: {percent:g} % more overall reduction in place of them"
    return Proposal("seat", says, why, f"{_SOCK_SOURCE}; {_DAY_SOURCE}", change)


def _turn(findings: Sequence[Finding]) -> list[Proposal]:
    if not any(finding.kind == "rotation" for finding in findings):
        return []
    return [
        Proposal(
            "turn", "Look at rotation in the socket and at alignment before any place",
            "in a turned socket relief and bars lie beside what they are for", _PRACTICE,
        )
    ]  # fmt: skip


def _place(finding: Finding, plan: Plan, after_others: bool) -> Proposal | None:
    region = _region_of(finding.where, plan)
    if region is None or finding.kind not in (*_PRESSED, *_LOOSE):
        return None
    pressed = finding.kind in _PRESSED
    more = pressed == (region.action == "build-up")
    amount = round(max(0.0, region.asked_mm + (_STEP_MM if more else -_STEP_MM)), 2)
    if region.allow_mm is not None:
        amount = min(max(amount, region.allow_mm[0]), region.allow_mm[1])
    lasting = finding.minutes is not None and finding.minutes >= _LASTING_MIN
    seen = f"{finding.kind} at {region.name}" + (f", still there after {finding.minutes:g} min" if lasting else "")
    why = f"{seen}; one millimetre at a time" + (", once seat and rotation are right" if after_others else "")
    if abs(amount - region.asked_mm) < 1e-9:
        return Proposal("place", f"{region.name} stands at the end of what is allowed", why, _PRACTICE)
    word = "build-up" if region.action == "build-up" else "reduction"
    says = f"{region.name}: {amount:g} mm of {word} instead of {region.asked_mm:g} mm"
    return Proposal("place", says, why, _PRACTICE, {"region": region.name, "amount": amount})


def _region_of(where: str | None, plan: Plan) -> RegionPlan | None:
    """The region that is named, or the first that is laid out on the landmark that is named."""
    for region in plan.regions:
        if where == region.name:
            return region
    return next((region for region in plan.regions if where is not None and region.anchor.landmark == where), None)


def _skin(findings: Sequence[Finding]) -> list[Proposal]:
    if not any(f.kind == "blanching" or (f.kind == "redness" and (f.minutes or 0) >= _LASTING_MIN) for f in findings):
        return []
    return [
        Proposal(
            "seat", "Stop wearing it until the place was looked at by the practitioner who answers for the limb",
            "skin that stays white or red is pressed too much; with little feeling or poor circulation nobody feels it",
            _PRACTICE,
        )
    ]  # fmt: skip
