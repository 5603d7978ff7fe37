"""Packages whose names are loaded when they are first used: each is there, and help waits for none of them."""

from __future__ import annotations

import importlib
import subprocess
import sys

import pytest

import rectify.fabrication
import rectify.report
from rectify.lazily import from_homes


@pytest.mark.parametrize("package", [rectify.fabrication, rectify.report])
def test_every_name_is_there_and_no_other(package):
    for name in package.__all__:
        assert getattr(package, name).__module__.startswith(package.__name__ + ".")
    with pytest.raises(AttributeError, match="no attribute 'sockets'"):
        _ = package.sockets


def test_a_name_that_is_also_a_module_s_is_refused():
    with pytest.raises(ValueError, match="names of some and of its modules: trimline"):
        from_homes("some", {"trimline": "trimline", "other": "place"})


def test_a_name_may_stand_for_another_of_its_module():
    load = from_homes("rectify.fabrication", {"model": "positive:positive"})
    assert load("model") is importlib.import_module("rectify.fabrication.positive").positive


HEAVY = ("scipy.spatial", "scipy.ndimage", "scipy.special", "manifold3d", "matplotlib", "trimesh")


@pytest.mark.parametrize("heavy", HEAVY)
def test_a_pipeline_does_not_load_what_it_does_not_use(heavy, tmp_path):
    words = f"import sys; import rectify.api, rectify.save, rectify.cli.apply; sys.exit({heavy!r} in sys.modules)"
    assert subprocess.run([sys.executable, "-c", words], cwd=tmp_path, check=False).returncode == 0
