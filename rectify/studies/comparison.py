"""Two versions of one limb compared: opened, laid over each other, and everything that is told of them as plain data.

    before, after -> aligned -> signed distances -> regions, levels, volume, places -> facts -> text, JSON, page

The figures stand in one frame: the limb frame of BEFORE where it has one, else of AFTER, else BEFORE's own long axis
with level 0 at the distal end. AFTER less BEFORE throughout; outward is positive. What was read of how much such a
difference matters stands beside it; that one of the two is better is never said.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

import rectify
from rectify.errors import InputError
from rectify.geometry.mesh import Floats
from rectify.geometry.rigid import carried, inverse
from rectify.limb.limb import Limb
from rectify.report.rounding import rounded
from rectify.rulebook.compare import spread
from rectify.rulebook.plan import Plan, Warn
from rectify.studies.align import Alignment, align, check_one_limb
from rectify.studies.difference import Difference, Patch, Spread, Volumes, difference, patches, spread_of, volumes
from rectify.studies.plans import plan_differences
from rectify.studies.pose import stand
from rectify.studies.regions import Laid, lay_regions
from rectify.studies.reports import side_by_side
from rectify.studies.scale import CITATIONS, beside
from rectify.studies.version import Version, open_version, with_landmarks

__all__ = ["EXIT_DONE", "EXIT_LOOK", "FORMAT", "Comparison", "Shapes", "compare"]

FORMAT = 1
EXIT_DONE, EXIT_LOOK = 0, 4
_LITTLE_COVERED = 0.7
_WORTH_A_WORD_ML = 0.05
_REACHES = 0.1  # of a place: a region that has less of it is not named
_NEAR_MM = (0.25, 1.0, 2.0)


@dataclass(frozen=True, eq=False)
class Shapes:
    """The two shapes in one frame, and what was measured.

    Parameters
    ----------
    difference : Difference
    limb : Limb, optional
        BEFORE on its chart, for regions and pictures; None where its top cannot be told.
    anatomical : bool
        The frame is a limb frame: front, sides and back are known.
    origin : what level 0 is, in words
    """

    difference: Difference
    alignment: Alignment
    limb: Limb | None
    anatomical: bool
    origin: str
    before_frame: Floats
    after_frame: Floats
    volumes: Volumes
    regions: tuple[Laid, ...]
    patches: tuple[Patch, ...]
    plan: Plan | None


@dataclass(frozen=True, eq=False)
class Comparison:
    """What came of comparing two versions.

    Parameters
    ----------
    before, after : Version
    shapes : Shapes, optional
        None where one of them is a report without a shape.
    facts : as comparison.json holds them
    """

    before: Version
    after: Version
    shapes: Shapes | None
    facts: dict[str, Any]

    @property
    def exit_code(self) -> int:
        """0 done, 4 a person must look first: the alignment is not sure, or they may not be of one limb."""
        return EXIT_LOOK if any(w["severity"] == "look" for w in self.facts["warnings"]) else EXIT_DONE


def compare(
    before: str | Path,
    after: str | Path,
    *,
    how: str = "auto",
    before_units: str | None = None,
    after_units: str | None = None,
    before_landmarks: str | Path | None = None,
    after_landmarks: str | Path | None = None,
) -> Comparison:
    """Compare two versions of one limb: results, cases, models (mesh files) or change reports.

    Parameters
    ----------
    how : auto, none, scan, landmarks or shape
        How AFTER is laid over BEFORE.
    before_units, after_units : mm, cm, m or inch
        Of a mesh file.
    before_landmarks, after_landmarks : path, optional
        Landmarks of a mesh file, in its own units and axes.

    Raises
    ------
    InputError
        Something cannot be read, or they cannot be compared: not one limb, or not to be aligned as asked.
    """
    one, two = open_version(before, units=before_units), open_version(after, units=after_units)
    amputation = one.amputation or two.amputation
    if before_landmarks is not None:
        one = with_landmarks(one, Path(before_landmarks), amputation=amputation, units=before_units)
    if after_landmarks is not None:
        two = with_landmarks(two, Path(after_landmarks), amputation=amputation, units=after_units)
    if one.scan_sha256 is not None and one.scan_sha256 == two.scan_sha256:
        one = one.made_up() if two.kind == "result" else one
        two = two.made_up() if one.kind == "result" else two
    notes = [*one.notes, *two.notes, *check_one_limb(one, two), *_brims(one, two)]
    shapes = None
    if one.wall is not None and two.wall is not None:
        shapes, more = _shapes(one, two, align(one, two, how))
        notes += more
    elif one.report is None or two.report is None:
        bare = one if one.wall is None else two
        raise InputError(
            "has no shape to compare with the other's", path=bare.path, hint="give the result folder, or two reports"
        )
    elif how != "auto":
        raise InputError("is for shapes: these are reports", key="--align", path=one.path)
    return Comparison(one, two, shapes, _facts(one, two, shapes, notes))


def _brims(one: Version, two: Version) -> list[Warn]:
    """Volumes here are of the shapes as they are; a change report leaves out what forms the brim."""
    added = [
        (word, float(v.report["volume"].get("brim_ml") or 0.0))
        for word, v in (("BEFORE", one), ("AFTER", two))
        if v.kind == "result" and v.report is not None
    ]
    said = [f"{ml:.1f} ml of {word}" for word, ml in added if abs(ml) >= _WORTH_A_WORD_ML]
    if not said:
        return []
    text = f"volumes and levels count what forms the brim ({', '.join(said)}), which the change report leaves out"
    return [Warn("brim-counted", "note", text, "")]


def _shapes(one: Version, two: Version, alignment: Alignment) -> tuple[Shapes, list[Warn]]:
    assert one.wall is not None and two.wall is not None
    framed = one if one.framed else two if two.framed else None
    if framed is None:
        before_frame, origin = stand(one.wall)[0].frame, "the distal end of BEFORE; angles from BEFORE's own axes"
    elif framed is one:
        before_frame, origin = np.eye(4), "BEFORE's limb frame"
    else:
        before_frame, origin = inverse(alignment.frame), "AFTER's limb frame"
    after_frame = before_frame @ alignment.frame
    side = (framed.side if framed is not None else None) or "right"
    amputation = (framed.amputation if framed is not None else None) or "transtibial"
    limb = one.limb_in(before_frame, side, amputation)
    walls = [
        v.wall.with_vertices(carried(v.wall.vertices, f))
        for v, f in ((one, before_frame), (two, after_frame))
        if v.wall
    ]
    d = difference(walls[0], walls[1])
    notes = list(alignment.warnings)
    if limb is None:
        text = f"{one.path} is not open at the top and nowhere else: no regions and no map"
        notes.append(Warn("no-chart", "note", text, ""))
    if d.covered < _LITTLE_COVERED:
        text = f"only {100 * d.covered:.0f} % of BEFORE has something of AFTER that answers it"
        notes.append(Warn("little-compared", "look", text, ""))
    plan = (one.plan or two.plan) if framed is not None else None
    laid: list[Laid] = []
    if plan is not None and limb is not None:
        laid, more = lay_regions(d, limb, plan)
        notes += more
    made = Shapes(
        difference=d,
        alignment=alignment,
        limb=limb,
        anatomical=framed is not None,
        origin=origin,
        before_frame=before_frame,
        after_frame=after_frame,
        volumes=volumes(d),
        regions=tuple(laid),
        patches=tuple(patches(d)),
        plan=plan,
    )
    return made, notes


# -- facts ------------------------------------------------------------------------------------------


def _facts(one: Version, two: Version, shapes: Shapes | None, notes: list[Warn]) -> dict[str, Any]:
    both = one.report is not None and two.report is not None
    plans = [v.plan for v in (one, two)]
    changed = None
    if plans[0] is not None and plans[1] is not None and plans[0].amputation == plans[1].amputation:
        limb = shapes.limb if shapes is not None and shapes.anatomical else None
        changed = plan_differences(plans[0], plans[1], limb)
    facts = {
        "format": FORMAT,
        "program": {"name": "rectify", "version": rectify.__version__},
        "before": _version(one),
        "after": _version(two),
        "shapes": None if shapes is None else _shape_facts(shapes),
        "plans": changed,
        "reports": side_by_side(one.report, two.report) if both and one.report and two.report else None,
        "citations": CITATIONS,
        "warnings": [
            {"code": w.code, "severity": w.severity, "message": w.message, "where": w.where}
            for w in sorted(dict.fromkeys(notes), key=lambda w: ("stop", "look", "note").index(w.severity))
        ],
    }
    plain: dict[str, Any] = rounded(facts)
    return plain


def _version(v: Version) -> dict[str, Any]:
    report = v.report or {}
    return {
        "kind": v.kind,
        "name": Path(v.path).name or v.path,
        "case": v.code,
        "side": v.side,
        "amputation": v.amputation,
        "status": report.get("status"),
        "rulebook": report.get("rulebook", {}).get("key"),
        "scan_sha256": v.scan_sha256,
        "faces": 0 if v.wall is None else len(v.wall.faces),
        "files": [{"file": name, "sha256": digest} for name, digest in v.files],
    }


def _shape_facts(s: Shapes) -> dict[str, Any]:
    d = s.difference
    everything = np.ones(len(d.outward), dtype=bool)
    whole = spread_of(d, everything)
    inside = np.zeros(len(d.outward), dtype=bool)
    for laid in s.regions:
        inside |= laid.has
    rest = spread_of(d, ~inside) if s.regions and not inside.all() else None
    percent = 100.0 * (s.volumes.after_ml / s.volumes.before_ml - 1.0) if s.volumes.before_ml > 0 else float("nan")
    return {
        "frame": {
            "anatomical": s.anatomical,
            "origin": s.origin,
            "side": s.limb.side if s.limb is not None and s.anatomical else None,
            "before_frame": s.before_frame,
            "after_frame": s.after_frame,
        },
        "alignment": _alignment(s.alignment),
        "distance": {**_spread(whole), **_near(d), "largest_out": _extreme(s, 1.0), "largest_in": _extreme(s, -1.0)},
        "volume": {
            "before_ml": s.volumes.before_ml,
            "after_ml": s.volumes.after_ml,
            "change_ml": s.volumes.after_ml - s.volumes.before_ml,
            "change_percent": percent,
            "plane_level_mm": s.volumes.plane_level_mm,
        },
        "levels": _levels(s.volumes),
        "regions": {laid.region.name: _region(laid) for laid in s.regions},
        "outside_regions": None if rest is None else _spread(rest),
        "places": [_place(s, patch) for patch in s.patches],
        "beside": [
            {
                "figure": b.figure,
                "value": _shown(b.value),
                "unit": b.unit,
                "mark": f"{b.mark:g}",
                "says": b.says,
                "evidence": b.evidence,
            }
            for b in beside(whole.mean_mm, whole.quartiles_mm, percent, _most(s))
        ],
    }


def _shown(value: float) -> str:
    return f"{value + 0.0:+.2f}"


def _alignment(a: Alignment) -> dict[str, Any]:
    return {
        "method": a.method,
        "why": a.why,
        "turned_deg": a.turned_deg,
        "shifted_mm": a.shifted_mm,
        "after_to_before_frame": a.frame,
        "landmarks": [{"name": name, "off_mm": off} for name, off in a.marks],
        "landmarks_rms_mm": a.marks_rms_mm,
        "kept_rms_mm": a.kept_rms_mm,
        "half_within_mm": a.half_within_mm,
        "mirror_rms_mm": a.mirror_rms_mm,
        "room_along_mm": None if a.room is None else a.room.along_mm,
        "room_turn_deg": None if a.room is None else a.room.turn_deg,
    }


def _spread(x: Spread) -> dict[str, Any]:
    return {
        "mean_mm": x.mean_mm,
        "median_mm": x.median_mm,
        "p5_mm": x.p5_mm,
        "p95_mm": x.p95_mm,
        "quartiles_mm": x.quartiles_mm,
        "mean_size_mm": x.mean_size_mm,
        "area_mm2": x.area_mm2,
        "compared_percent": x.compared_percent,
        "volume_ml": x.volume_ml,
    }


def _near(d: Difference) -> dict[str, float]:
    """How much of what is compared lies within a quarter, one and two mm."""
    area, away = d.areas[d.compared], np.abs(d.outward[d.compared])
    total = max(float(area.sum()), 1e-12)
    words = ("quarter", "one", "two")
    return {
        f"within_{w}_percent": 100.0 * float(area[away <= mm].sum()) / total
        for w, mm in zip(words, _NEAR_MM, strict=True)
    }


def _where(s: Shapes, vertex: int) -> dict[str, Any]:
    x, y, z = s.difference.before.vertices[vertex]
    side = -1.0 if s.limb is not None and s.limb.side == "left" else 1.0
    names = [laid.region.name for laid in s.regions if laid.has[vertex]]
    return {"level_mm": float(-z), "angle_deg": float(np.degrees(np.arctan2(side * x, y))), "regions": names}


def _extreme(s: Shapes, sign: float) -> dict[str, Any] | None:
    away = sign * np.where(s.difference.compared, s.difference.outward, 0.0)
    i = int(np.argmax(away))
    return {"amount_mm": float(sign * away[i]), **_where(s, i)} if away[i] > 0 else None


def _place(s: Shapes, patch: Patch) -> dict[str, Any]:
    return {
        "peak_mm": patch.peak_mm,
        "mean_mm": patch.mean_mm,
        "area_mm2": patch.area_mm2,
        "volume_ml": patch.volume_ml,
        **_where(s, patch.peak),
        "regions": [laid.region.name for laid in s.regions if _share(s, patch, laid) >= _REACHES],
    }


def _share(s: Shapes, patch: Patch, laid: Laid) -> float:
    """How much of a place lies in a region."""
    area = s.difference.areas
    return float(area[patch.vertices & laid.has].sum() / area[patch.vertices].sum())


def _region(laid: Laid) -> dict[str, Any]:
    spot = laid.region.anchor.spot
    mm = laid.core_mm if np.isfinite(laid.core_mm) else laid.whole.median_mm
    return {
        "action": laid.region.action,
        "core_mm": laid.core_mm,
        **_spread(laid.whole),
        "level_mm": float(spot.station_mm),
        "angle_deg": float(spot.angle_deg),
        "beside": spread(mm) if np.isfinite(mm) else "",
    }


def _most(s: Shapes) -> float | None:
    """The signed figure of what differs most: of the regions their core or median, of places their mean."""
    found = [x.core_mm if np.isfinite(x.core_mm) else x.whole.median_mm for x in s.regions]
    found += [patch.mean_mm for patch in s.patches]
    found = [x for x in found if np.isfinite(x)]
    return max(found, key=abs) if found else None


def _levels(v: Volumes) -> list[dict[str, Any]]:
    out = []
    for i, level in enumerate(v.before.levels):
        row: dict[str, Any] = {"level_mm": float(level)}
        for name, ending in (("circumference", "mm"), ("ap", "mm"), ("ml", "mm"), ("area", "mm2")):
            for word, profile in (("before", v.before), ("after", v.after)):
                row[f"{name}_{word}_{ending}"] = float(getattr(profile, name)[i])
        row["change_percent"] = 100.0 * (row["circumference_after_mm"] / row["circumference_before_mm"] - 1.0)
        out.append(row)
    return out
