"""Pencil marks on a capture: found by their colour, placed on the limb, names proposed."""

from __future__ import annotations

from rectify.marks.colours import COLOURS, PencilColour, pencil_colour
from rectify.marks.find import find_marks
from rectify.marks.mark import Mark
from rectify.marks.reading import SURE, MarkReading, Proposal, marks_as_landmarks, propose_names, read_marks

__all__ = [
    "COLOURS",
    "SURE",
    "Mark",
    "MarkReading",
    "PencilColour",
    "Proposal",
    "find_marks",
    "marks_as_landmarks",
    "pencil_colour",
    "propose_names",
    "read_marks",
]
