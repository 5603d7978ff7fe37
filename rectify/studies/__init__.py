"""Questions over several shapes: two versions of one limb compared."""

from __future__ import annotations

from rectify.studies.comparison import Comparison, compare

__all__ = ["Comparison", "compare"]
