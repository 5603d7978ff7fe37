"""What lay between the skin and the captured surface, against what will be worn there.

A layer that was there and will be worn again cancels out. Of a liner that was not measured on the limb only 85 % of its
label counts, since it is stretched when it is donned (working value, no source), and the report says so.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from rectify.capture import Step
from rectify.rulebook.facts import Layer
from rectify.rulebook.plan import Warn
from rectify.rulebook.quantity import show_mm

__all__ = ["DONNED_SHARE", "Wear", "compare_wear", "thickness"]

DONNED_SHARE = 0.85


@dataclass(frozen=True)
class Wear:
    """How far the surface to be rectified lies outside (+) or inside (-) the captured one."""

    offset_mm: float
    steps: tuple[Step, ...]
    warnings: tuple[Warn, ...]


def thickness(layer: Layer) -> float:
    """Thickness on the limb, mm: as measured, or a liner's label less its stretch."""
    return layer.thickness_mm if layer.measured or "liner" not in layer.kind else DONNED_SHARE * layer.thickness_mm


def compare_wear(layers: tuple[Layer, ...], wear: tuple[Layer, ...] | None) -> Wear:
    """Compare the scan's layers with what will be worn; None is the same again."""
    if wear is None:
        return Wear(0.0, (), ())
    was = Counter((layer.kind, layer.thickness_mm) for layer in layers)
    will = Counter((layer.kind, layer.thickness_mm) for layer in wear)
    add = _left(wear, will - was)
    take = _left(layers, was - will)
    offset = sum(map(thickness, add)) - sum(map(thickness, take))
    if abs(offset) < 1e-9:
        return Wear(0.0, (), ())
    words = [f"{_named(layer)} to be worn" for layer in add] + [f"{_named(layer)} not worn again" for layer in take]
    way = "out" if offset > 0 else "in"
    step = f"surface moved {show_mm(abs(offset))} {way}: {', '.join(words)}"
    stretched = [layer for layer in (*add, *take) if thickness(layer) != layer.thickness_mm]
    warnings = tuple(
        Warn(
            "liner-allowance",
            "note",
            f"{_named(layer)} was not measured on the limb: {DONNED_SHARE:.0%} of its label counts, for its stretch",
            "wear",
        )
        for layer in stretched
    )
    return Wear(offset, (Step("offset", step),), warnings)


def _left(layers: tuple[Layer, ...], left: Counter[tuple[str, float]]) -> list[Layer]:
    out = []
    for layer in layers:
        key = (layer.kind, layer.thickness_mm)
        if left[key] > 0:
            left[key] -= 1
            out.append(layer)
    return out


def _named(layer: Layer) -> str:
    return f"{layer.kind} {show_mm(layer.thickness_mm)}"
