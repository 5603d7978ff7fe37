"""`rectify carve CASE|RESULT`: a positive model with waste, base and mandrel's axis, ready to be carved."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rectify.cli.fabrication import ending, length, positive_from, shape_options, tell_looks, whole
from rectify.cli.say import json_option, print_json, result

__all__ = ["carve_command"]


@click.command(name="carve", short_help="Make a positive model to be carved, with waste above its trimline.")
@shape_options("carve")
@click.option("--skirt", type=length(), default="40 mm", show_default=True, help="Height of the waste over the line.")
@click.option("--bore", type=length(), help="Diameter of a bore for the mandrel; without it the base is flat.")
@click.option("--bore-depth", type=length(), help="Depth of the bore.")
@click.option("--cutter", type=length(), default="12 mm", show_default=True, help="Diameter of the ball-ended cutter.")
@click.option("--reach", type=length(), help="How far the cutter reaches in from the blank's outside; to be checked.")
@click.option("--groove", is_flag=True, help="Scribe the trimline into the model.")
@click.option("--no-mark", is_flag=True, help="Leave the case code out of the waste.")
@click.option(
    "--axes",
    type=click.Choice(["limb", "mandrel"]),
    default="limb",
    show_default=True,
    help="Axes of the files: the limb's, or z along the mandrel.",
)
@json_option
def carve_command(
    source: Path,
    trimline: Path | None,
    out: Path | None,
    replace: bool,
    skirt: float,
    bore: float | None,
    bore_depth: float | None,
    cutter: float,
    reach: float | None,
    groove: bool,
    no_mark: bool,
    axes: str,
    as_json: bool,
) -> int:
    """Make a model to be carved of CASE (its folder, rectified now) or RESULT (a folder that `rectify apply` wrote).

    Up to the trimline it is the exact model, which lies beside it. Lengths take their unit: --cutter 12mm. All of
    the folder is written, or nothing.
    """
    from rectify.fabrication.carving import CARVE_REPORT, CarvingSpec, make_carving
    from rectify.fabrication.folder import refuse_place

    spec = CarvingSpec(skirt, bore or 0.0, bore_depth or 0.0, cutter, reach or 0.0, groove, not no_mark, axes)
    positive = positive_from(source, trimline)
    folder = out if out is not None else Path(f"{positive.code}-carve")
    refuse_place(folder, replace=replace, inputs=positive.files, earlier=CARVE_REPORT)
    made = make_carving(positive, spec)
    made.save(folder, replace=replace)
    facts = made.facts
    looks = list(facts["look"])
    if as_json:
        names = sorted(file.name for file in folder.iterdir())
        code = ending(positive.status, looks)
        print_json({**facts, "folder": str(folder), "files": names, "exit_code": code})
    else:
        _tell(facts, folder)
    return tell_looks(positive.status, looks)


def _tell(facts: dict[str, Any], folder: Path) -> None:
    from rectify.fabrication.carving import hollows

    mandrel, blank, cutter, draft = facts["mandrel"], facts["blank"], facts["cutter"], facts["draft"]
    result(f"case      {facts['case']}, {facts['side']} {facts['amputation']}")
    result(
        f"mandrel   tilted {mandrel['flexion_deg']:+.0f} deg flexion, {mandrel['adduction_deg']:+.0f} deg adduction "
        "from the limb's axis"
    )
    result(f"blank     {blank['stock_diameter_mm']:g} mm across, {blank['stock_length_mm']:g} mm long")
    hidden = cutter["hidden_from_side"]
    text = "nothing is hidden from it" if hidden["at"] is None else f"up to {hidden['most_mm']:.1f} mm are hidden"
    if cutter["missed"]:
        worst = cutter["missed"][0]
        text += (
            f"; it misses {hollows(cutter['missed_places'])}, the deepest by {worst['depth_mm']:.1f} mm at "
            f"level {whole(worst['at']['level_mm'])} mm, angle {worst['at']['angle_deg']:.0f}"
        )
    result(f"cutter    {cutter['diameter_mm']:g} mm: {text}; it must reach {cutter['reach_needed_mm']:.0f} mm")
    text = "free"
    if draft["at"] is not None:
        text = (
            f"a stiff shell is held by up to {draft['narrower_mm']:.1f} mm at level "
            f"{whole(draft['at']['level_mm'])} mm, angle {draft['at']['angle_deg']:.0f}"
        )
    result(f"draft     {text}; {draft['undercut_percent']:.0f} % of the surface is undercut along the mandrel")
    mark = facts["waste"]["mark"]
    result(f"mark      {mark if mark else 'none'}")
    result(f"status    {facts['status']}")
    result(f"files     {folder}")
    for file in sorted(folder.iterdir()):
        result(f"          {file.name}")
