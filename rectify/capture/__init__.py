"""A raw capture becomes one clean wall, open at the top, and every step is told with its numbers."""

from rectify.capture.repair import Repaired, repair
from rectify.capture.step import Step

__all__ = ["Repaired", "Step", "repair"]
