"""Numbers as reports print them: a fixed number of decimals for each kind of key, and null for what is not there.

One table serves the facts, the schema's descriptions and the page. A number under a key that the table does not
know is an error, so that no figure slips out with all its digits.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

__all__ = ["DECIMALS", "decimals_of", "rounded"]

# by the key's ending, longest first; lengths to 1 µm, far below what any tape or machine resolves, so that a
# reader can check a sum; the frame to 1e-9, which carries a point half a metre away to 1e-6 mm
DECIMALS: Mapping[str, int] = {
    "frame": 9,
    "points": 3,
    "ratio": 4,
    "xyz": 3,
    "_percent": 3,
    "_deg": 2,
    "_mm2": 1,
    "_ml": 3,
    "_mm": 3,
    "least": 3,
    "most": 3,
}
_AS_WRITTEN = frozenset({"findings", "tune"})  # what somebody wrote stays as written


def decimals_of(key: str) -> int:
    """How many decimals a number under a key has.

    Raises
    ------
    KeyError
        Where no kind of key ends so.
    """
    for ending in sorted(DECIMALS, key=len, reverse=True):
        if key == ending or key.endswith(ending):
            return DECIMALS[ending]
    raise KeyError(key)


def rounded(value: Any, key: str = "") -> Any:
    """The same facts in plain types: numbers at their decimals, NaN and infinity as None, sequences as lists.

    Parameters
    ----------
    value : nested mappings, sequences and scalars
    key : str
        The key it stands under; list items count as standing under their list's.

    Examples
    --------
    >>> rounded({"peak_mm": 3.14159, "angle_deg": 359.999, "mean_mm": float("nan"), "watertight": True})
    {'peak_mm': 3.142, 'angle_deg': 0.0, 'mean_mm': None, 'watertight': True}
    """
    if isinstance(value, Mapping):
        return {str(k): v if k in _AS_WRITTEN else rounded(v, str(k)) for k, v in value.items()}
    if isinstance(value, str | bool | None):
        return value
    if hasattr(value, "tolist"):
        return rounded(value.tolist(), key)
    if isinstance(value, list | tuple):
        return [rounded(item, key) for item in value]
    if isinstance(value, int):
        return value
    if not isinstance(value, float):
        raise TypeError(f"{key}: a report holds no {type(value).__name__}")
    if not math.isfinite(value):
        return None
    number = round(value, decimals_of(key))
    if key == "angle_deg":
        number %= 360.0
    return number + 0.0  # no minus zero
