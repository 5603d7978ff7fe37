"""A residual limb: axis, chart, landmarks, measures."""

from rectify.limb.chart import Chart
from rectify.limb.landmarks import Landmark, RawLandmark
from rectify.limb.limb import Limb
from rectify.limb.measure import Profile, measure_levels
from rectify.limb.spot import Spot

__all__ = ["Chart", "Landmark", "Limb", "Profile", "RawLandmark", "Spot", "measure_levels"]
