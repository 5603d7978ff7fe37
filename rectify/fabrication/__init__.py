"""What goes to a machine: STL and 3MF of the positive model, the trimline, and folders that are whole or not there."""

from __future__ import annotations

from rectify.fabrication.folder import whole_or_nothing
from rectify.fabrication.threemf import threemf_bytes, write_threemf
from rectify.fabrication.trimline import trimline, trimline_facts
from rectify.fabrication.write_stl import single_precision, stl_bytes, write_stl

__all__ = [
    "single_precision",
    "stl_bytes",
    "threemf_bytes",
    "trimline",
    "trimline_facts",
    "whole_or_nothing",
    "write_stl",
    "write_threemf",
]
