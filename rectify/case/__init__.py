"""The case folder: the one place that ties capture, landmarks, rulebook and tunings together."""

from rectify.case.case import Case, Input
from rectify.case.opening import open_case
from rectify.case.release import Standing, digest_of, release_blockers, standing, write_release

__all__ = ["Case", "Input", "Standing", "digest_of", "open_case", "release_blockers", "standing", "write_release"]
