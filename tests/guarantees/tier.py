"""How much the tests of guarantees try: few and always the same examples in every check, many and new ones on request.

    RECTIFY_TESTS=long pytest tests/guarantees

A failure of the long tier prints what reproduces it (hypothesis' own `@reproduce_failure`).
"""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

from hypothesis import HealthCheck, Phase, settings

__all__ = ["LONG", "examples", "often"]

LONG = os.environ.get("RECTIFY_TESTS") == "long"
_MORE = 25  # times as many in the long tier


def often(few: int) -> int:
    """How often something is tried in this run."""
    return few * _MORE if LONG else few


def examples(few: int) -> Callable[[Any], Any]:
    """Settings for a property: `few` examples, the same in every run; in the long tier 25 times as many, always new."""
    return settings(
        max_examples=often(few),
        deadline=None,
        derandomize=not LONG,
        database=None,
        print_blob=LONG,
        suppress_health_check=list(HealthCheck),
        phases=[Phase.explicit, Phase.generate, Phase.shrink],
    )
