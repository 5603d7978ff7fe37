"""Landmarks nobody marked, estimated from the shape and from proportions, each with how far off it may be."""

from __future__ import annotations

from rectify.limb.estimates.unmarked import all_estimates, estimate

__all__ = ["all_estimates", "estimate"]
