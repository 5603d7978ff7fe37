"""Two versions of one limb compared: opened, laid over each other, and everything that is told of them as plain data.

    before, after -> aligned -> signed distances -> regions, levels, volume, places -> facts -> text, JSON, page

AFTER less BEFORE throughout; outward is positive. What was read of how much such a difference matters stands beside it;
that one of the two is better is never said.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rectify.errors import InputError
from rectify.rulebook.plan import Warn
from rectify.studies.align import align, check_one_limb
from rectify.studies.facts import comparison_facts
from rectify.studies.shapes import Shapes, lay_over
from rectify.studies.version import Version, open_version, with_landmarks

__all__ = ["EXIT_DONE", "EXIT_LOOK", "Comparison", "compare"]

EXIT_DONE, EXIT_LOOK = 0, 4
_WORTH_A_WORD_ML = 0.05


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
        shapes, more = lay_over(one, two, align(one, two, how))
        notes += more
    elif one.report is None or two.report is None:
        bare = one if one.wall is None else two
        raise InputError(
            "has no shape to compare with the other's", path=bare.path, hint="give the result folder, or two reports"
        )
    elif how != "auto":
        raise InputError("is for shapes: these are reports", key="--align", path=one.path)
    return Comparison(one, two, shapes, comparison_facts(one, two, shapes, notes))


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
