"""rectify: parametric rectification of residual-limb models before a check socket is made.

    case = rectify.open_case("demo_limbs/RB-101")
    result = rectify.apply(case)
    result.save("out")

Names are loaded when they are first used, so that a command that only prints help starts at once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rectify.api import Result, apply, open_case
    from rectify.limb import Limb
    from rectify.rulebook import load_rulebook
    from rectify.studies import compare

__version__ = "0.1.0"
__all__ = ["Limb", "Result", "__version__", "apply", "compare", "load_rulebook", "open_case"]

_HOME = {
    "Limb": "rectify.limb",
    "Result": "rectify.api",
    "apply": "rectify.api",
    "compare": "rectify.studies",
    "load_rulebook": "rectify.rulebook",
    "open_case": "rectify.api",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'rectify' has no attribute {name!r}")
    import importlib

    return getattr(importlib.import_module(_HOME[name]), name)
