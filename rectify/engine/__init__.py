"""Rulebook + limb -> displacement -> rectified limb, and the guarantees."""

from rectify.engine.apply import Checks, DimensionOutcome, Outcome, Volumes, rectify_limb

__all__ = ["Checks", "DimensionOutcome", "Outcome", "Volumes", "rectify_limb"]
