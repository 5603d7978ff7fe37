"""Demo cases as scenes, each made once."""

from __future__ import annotations

from functools import cache

import rectify
from rectify.api import Result
from rectify.case import open_case
from rectify.data import demo_folder
from rectify.viewer import Scene, scene_of


@cache
def demo(code: str) -> Result:
    """A demo case, rectified once for all tests."""
    return rectify.apply(open_case(demo_folder() / code))


@cache
def scene(code: str) -> Scene:
    """What there is to show of it."""
    return scene_of(demo(code).outcome, case=code)
