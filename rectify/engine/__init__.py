"""Rulebook + limb -> displacement -> rectified limb, and the guarantees."""

from rectify.engine.apply import Checks, DimensionOutcome, Outcome, Volumes, rectify_limb
from rectify.engine.prepared import Prepared, prepare

__all__ = ["Checks", "DimensionOutcome", "Outcome", "Prepared", "Volumes", "prepare", "rectify_limb"]
