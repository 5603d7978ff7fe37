"""`rectify demo [DIR]`: write the demo cases, limbs made by formula that belong to nobody."""

from __future__ import annotations

from pathlib import Path

import click

from rectify.cli.say import json_option, print_json, result

__all__ = ["demo_command"]


@click.command(name="demo", short_help="Write the demo cases, limbs made by formula.")
@click.argument("folder", type=click.Path(path_type=Path), metavar="[DIR]", default=Path("rectify-demo"))
@click.option(
    "--replace", is_flag=True, help="Put the demo cases in the place of a folder of demo cases, which is deleted."
)
@json_option
def demo_command(folder: Path, replace: bool, as_json: bool) -> int:
    """Write the demo cases into a new folder DIR (by default rectify-demo, here)."""
    from rectify.data import demo_folder
    from rectify.fabrication.folder import whole_or_nothing

    source = demo_folder()
    cases = sorted(place.name for place in source.iterdir() if (place / "case.yaml").is_file())
    mark = f"{cases[0]}/case.yaml"
    with whole_or_nothing(folder, replace=replace, inputs=[source], earlier=mark) as aside:
        for name in cases:
            for file in sorted(path for path in (source / name).rglob("*") if path.is_file()):
                target = aside / file.relative_to(source)
                target.parent.mkdir(parents=True, exist_ok=True)
                target.write_bytes(file.read_bytes())
    if as_json:
        print_json({"folder": str(folder), "cases": cases, "exit_code": 0})
        return 0
    for name in cases:
        result(str(folder / name))
    result()
    result(f"now: rectify apply {folder / cases[0]}")
    return 0
