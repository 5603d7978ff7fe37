"""Limbs that the whole suite shares, made once. How they are made: tests/made.py."""

from __future__ import annotations

import pytest

from rectify.limb.limb import Limb
from rectify.synthetic import Transfemoral, Transtibial, transfemoral, transtibial
from tests import made


@pytest.fixture(scope="session")
def capsule_limb() -> Limb:
    """Radius 50 mm, wall 150 mm, 3 mm edges."""
    return made.capsule_limb()


@pytest.fixture(scope="session")
def cone_limb() -> Limb:
    """Radius 60 mm at the top to 40 mm where its round end begins, 3 mm edges."""
    return made.cone_limb()


@pytest.fixture(scope="session")
def elliptic_limb() -> Limb:
    """AP 120 mm, ML 100 mm, 3 mm edges."""
    return made.elliptic_limb()


@pytest.fixture(scope="session")
def ridge_limb() -> Limb:
    """A capsule with a sharp ridge down its front, 2.5 mm edges."""
    return made.ridge_limb()


@pytest.fixture(scope="session")
def transtibial_limb() -> Limb:
    """Generated, right, 4 mm edges."""
    return made.limb_from(transtibial(Transtibial(edge_mm=4.0)))


@pytest.fixture(scope="session")
def fine_limb() -> Limb:
    """The same with 2.5 mm edges: where a coarse mesh would hide what is measured."""
    return made.limb_from(transtibial(Transtibial(edge_mm=2.5)))


@pytest.fixture(scope="session")
def transfemoral_limb() -> Limb:
    """Generated, right, 5 mm edges, open obliquely above the groin."""
    return made.limb_from(transfemoral(Transfemoral(edge_mm=5.0)))


@pytest.fixture(scope="session")
def assert_sound():
    """See tests/made.py."""
    return made.assert_sound
