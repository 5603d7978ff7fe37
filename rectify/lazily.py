"""A package whose names are loaded when they are first used: who wants one of them does not wait for all."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from typing import Any

__all__ = ["from_homes"]


def from_homes(package: str, homes: Mapping[str, str]) -> Callable[[str], Any]:
    """A package's `__getattr__`.

    Parameters
    ----------
    package : its full name
    homes : name to module
        Where each of its names is found; the module's own name for it after a colon, where that is another. A name that
        is also a module's cannot be one of them: once loaded, the module stands for it.

    Raises
    ------
    ValueError
        Of a name that is also a module's.
    """
    if both := sorted(set(homes) & {home.partition(":")[0] for home in homes.values()}):
        raise ValueError(f"names of {package} and of its modules: {', '.join(both)}")

    def __getattr__(name: str) -> Any:
        if name not in homes:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        module, _, own = homes[name].partition(":")
        return getattr(importlib.import_module(f"{package}.{module}"), own or name)

    return __getattr__
