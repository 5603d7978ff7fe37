"""What lay between the skin and the captured surface, against what will be worn there.

A layer that was there and will be worn again cancels out. What belongs to a cast only (its wall, plastic film,
stockinette) is never worn, so it comes off even where the case does not say what will be. Of a liner that was not
measured on the limb only 85 % of its label counts, since it is stretched when it is donned (working value, no source),
and the report says so.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass

from rectify.capture import Step
from rectify.rulebook.facts import Layer
from rectify.rulebook.plan import Warn
from rectify.rulebook.quantity import show_mm

__all__ = [
    "DONNED_SHARE",
    "LAYER_KINDS",
    "LAYER_WORDS",
    "Wear",
    "compare_wear",
    "is_worn",
    "knows_layer",
    "thickness",
    "worn_of",
]

DONNED_SHARE = 0.85
_WORN = ("liner", "sock", "sheath", "insert")
LAYER_KINDS = ("liner", "sock", "sheath", "insert", "plastic-film", "stockinette", "plaster", "cast-wall")
# What such a layer is made of may stand before its word; whole words only, so that a misspelt one is no layer.
_MADE_OF = {
    "liner": ("copolymer", "fabric", "foam", "gel", "leather", "silicone", "urethane"),
    "sock": ("cotton", "gel", "half", "nylon", "stump", "synthetic", "wool"),
    "sheath": ("cotton", "gel", "nylon", "silicone"),
    "insert": ("cork", "foam", "gel", "leather", "silicone"),
    "film": ("cling", "plastic"),
    "stockinette": ("cotton", "nylon"),
    "wall": ("cast", "fibreglass", "plaster"),
}
LAYER_WORDS = tuple(
    sorted({*LAYER_KINDS, *(f"{made}-{kind}" for kind, mades in _MADE_OF.items() for made in mades)})
)


@dataclass(frozen=True)
class Wear:
    """How far the surface to be rectified lies outside (+) or inside (-) the captured one."""

    offset_mm: float
    steps: tuple[Step, ...]
    warnings: tuple[Warn, ...]


def knows_layer(kind: str) -> bool:
    """Whether a layer's word is a known one, as a whole: `gel-liner`, `plaster-wall`."""
    return kind in LAYER_WORDS


def is_worn(kind: str) -> bool:
    """Whether such a layer may be worn in a socket; the others belong to a cast."""
    return kind.split("-")[-1] in _WORN


def thickness(layer: Layer) -> float:
    """Thickness on the limb, mm: as measured, or a liner's label less its stretch."""
    return layer.thickness_mm if layer.measured or "liner" not in layer.kind else DONNED_SHARE * layer.thickness_mm


def worn_of(layers: tuple[Layer, ...], wear: tuple[Layer, ...] | None) -> tuple[Layer, ...]:
    """What will be worn: as said, or where nothing is said what was worn during the capture."""
    return tuple(layer for layer in layers if is_worn(layer.kind)) if wear is None else wear


def compare_wear(layers: tuple[Layer, ...], wear: tuple[Layer, ...] | None) -> Wear:
    """Compare the scan's layers with what will be worn; None is what was worn during the capture again."""
    add, take = _unlike(worn_of(layers, wear), layers)
    offset = sum(map(thickness, add)) - sum(map(thickness, take))
    if abs(offset) < 1e-9:
        return Wear(0.0, (), ())
    words = [f"{_named(layer)} to be worn" for layer in add]
    words += [f"{_named(layer)} {'not worn again' if is_worn(layer.kind) else 'of the cast'}" for layer in take]
    way = "out" if offset > 0 else "in"
    step = f"surface moved {show_mm(abs(offset))} {way}: {', '.join(words)}"
    stretched = [layer for layer in (*add, *take) if thickness(layer) != layer.thickness_mm]
    warnings = tuple(
        Warn(
            "liner-allowance",
            "look",
            f"{_named(layer)} was not measured on the limb: {DONNED_SHARE:.0%} of its label, "
            f"{show_mm(thickness(layer))}, counts, for its stretch; measure it there and write measured: yes",
            "wear",
        )
        for layer in dict.fromkeys(stretched)
    )
    return Wear(offset, (Step("offset", step),), warnings)


def _unlike(one: tuple[Layer, ...], other: tuple[Layer, ...]) -> tuple[list[Layer], list[Layer]]:
    """What each has and the other has not: layers equal in everything go first, then those of one kind and label,
    measured or not."""
    left, right = list(one), list(other)
    for key in (_all, _label):
        left, right = _without(left, right, key), _without(right, left, key)
    return left, right


def _all(layer: Layer) -> Hashable:
    return layer


def _label(layer: Layer) -> Hashable:
    return layer.kind, layer.thickness_mm


def _without(layers: Iterable[Layer], others: Iterable[Layer], key: Callable[[Layer], Hashable]) -> list[Layer]:
    spent = Counter(map(key, others))
    out = []
    for layer in layers:
        if spent[key(layer)] > 0:
            spent[key(layer)] -= 1
        else:
            out.append(layer)
    return out


def _named(layer: Layer) -> str:
    return f"{layer.kind} {show_mm(layer.thickness_mm)}"
