"""`rectify socket CASE|RESULT`: a check-socket shell about a rectified model."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rectify.cli.fabrication import angle, ending, length, positive_from, shape_options, tell_looks, whole
from rectify.cli.say import json_option, print_json, result

__all__ = ["socket_command"]


@click.command(name="socket", short_help="Make a check-socket shell from a rectified model and its trimline.")
@shape_options("socket")
@click.option("--wall", type=length(), default="4 mm", show_default=True, help="Thickness of the wall.")
@click.option("--brim-wall", type=length(), help="Thickness at the brim; its rounded edge takes half of it.")
@click.option("--end-wall", type=length(), help="Thickness at the end.")
@click.option("--hole", type=length(), help="Diameter of a hole through the end, for a pin, a valve or a lanyard.")
@click.option("--boss", type=length(), help="Diameter of a flat for a fitting, on a boss under the end.")
@click.option("--boss-height", type=length(), help="Least height of the boss below the end. By default 6 mm.")
@click.option("--flexion", type=angle(), help="Of the socket over the fitting; negative for extension.")
@click.option("--adduction", type=angle(), help="Of the socket over the fitting; negative for abduction.")
@click.option("--anterior", type=length(signed=True), help="Move the fitting forward; negative for backward.")
@click.option("--lateral", type=length(signed=True), help="Move the fitting outward; negative for inward.")
@json_option
def socket_command(
    source: Path,
    trimline: Path | None,
    out: Path | None,
    replace: bool,
    wall: float,
    brim_wall: float | None,
    end_wall: float | None,
    boss_height: float | None,
    as_json: bool,
    **fitting: float | None,
) -> int:
    """Make a check socket of CASE (its folder, rectified now) or RESULT (a folder that `rectify apply` wrote).

    The inside is the model's own surface up to the trimline. Lengths and angles take their unit: --wall "4 mm",
    --flexion 5deg. All of the folder is written, or nothing.
    """
    from rectify.fabrication.check_socket import SOCKET_REPORT, SocketSpec, make_socket
    from rectify.fabrication.fitting import Fitting
    from rectify.fabrication.folder import refuse_place
    from rectify.fabrication.shell import Wall

    seat = {_KEYS[key]: value for key, value in fitting.items() if value is not None}
    _check_together(seat, boss_height)
    if boss_height is not None:
        seat["height_mm"] = boss_height
    walls = Wall(wall, wall if brim_wall is None else brim_wall, wall if end_wall is None else end_wall)
    spec = SocketSpec(walls, Fitting(**seat))
    positive = positive_from(source, trimline)
    folder = out if out is not None else Path(f"{positive.code}-socket")
    refuse_place(folder, replace=replace, inputs=positive.files, earlier=SOCKET_REPORT)
    made = make_socket(positive, spec)
    made.save(folder, replace=replace)
    facts = made.facts
    looks = list(facts["look"])
    if as_json:
        code = ending(positive.status, looks)
        names = sorted(file.name for file in folder.iterdir())
        print_json({**facts, "folder": str(folder), "files": names, "exit_code": code})
    else:
        _tell(facts, folder)
    return tell_looks(positive.status, looks)


_KEYS = {
    "hole": "hole_mm",
    "boss": "boss_mm",
    "flexion": "flexion_deg",
    "adduction": "adduction_deg",
    "anterior": "anterior_mm",
    "lateral": "lateral_mm",
}


def _check_together(seat: dict[str, float], boss_height: float | None) -> None:
    if boss_height is not None and "boss_mm" not in seat:
        raise click.UsageError("--boss-height is the height of a boss; there is no --boss")
    if seat and not {"boss_mm", "hole_mm"} & seat.keys():
        raise click.UsageError(
            "--flexion, --adduction, --anterior and --lateral place a --boss or a --hole; there is none"
        )


def _tell(facts: dict[str, Any], folder: Path) -> None:
    wall, donning, fitting = facts["wall"], facts["donning"], facts["fitting"]
    result(f"case      {facts['case']}, {facts['side']} {facts['amputation']}")
    asked = f"{wall['asked_mm']:g} mm"
    if wall["brim_asked_mm"] != wall["asked_mm"] or wall["end_asked_mm"] != wall["asked_mm"]:
        asked += f", brim {wall['brim_asked_mm']:g} mm, end {wall['end_asked_mm']:g} mm"
    result(f"wall      {asked}")
    for way in ("inside_to_outside", "outside_to_inside"):
        found = wall[way]
        result(
            f"          {way.replace('_', ' ')}: {found['minimum_mm']:.2f} to {found['maximum_mm']:.2f} mm, "
            f"mean {found['mean_mm']:.2f} mm"
        )
    result(f"brim      {facts['brim']['length_mm']:.0f} mm, rounded by {facts['brim']['edge_radius_mm']:g} mm")
    if fitting["boss_mm"] or fitting["hole_mm"]:
        line = fitting["line_at_level_0"]
        result(
            f"fitting   flat at level {fitting['level_mm']:.1f} mm; its line passes level 0 at "
            f"{line['anterior_mm']:+.1f} mm anterior, {line['lateral_mm']:+.1f} mm lateral"
        )
    for name, word in (("along_axis", "along the axis"), ("along_best_pull", "along the easiest pull")):
        result(f"donning   {word}: {_way(donning[name])}")
    result(f"material  {facts['shell']['material_ml']:.0f} ml")
    result(f"status    {facts['status']}")
    result(f"files     {folder}")
    for file in sorted(folder.iterdir()):
        result(f"          {file.name}")


def _way(found: dict[str, Any]) -> str:
    """What is in the limb's way along one pull."""
    tilt = f" ({found['flexion_deg']:+.0f} deg flexion, {found['adduction_deg']:+.0f} deg adduction)"
    place, girth = found["at"], found["circumference"]
    text = "free"
    if place is not None:
        text = (
            f"the wall is up to {found['narrower_mm']:.1f} mm narrower than the limb below, at level "
            f"{whole(place['level_mm'])} mm, angle {place['angle_deg']:.0f}"
        )
    if girth is not None:
        text += f"; circumference {girth['narrower_percent']:.1f} % smaller at level {whole(girth['level_mm'])} mm"
    return text + (tilt if found["flexion_deg"] or found["adduction_deg"] else "")
