"""What is believed of where landmarks lie before and after some are known: one joint normal distribution.

Each landmark has a level (mm) and a direction (degrees); what it shares with others is said by common causes (the
size of the knee, the turn of the shank, the hand that marked the origin) and by parents (a fibular neck goes where
its head goes). Knowing one landmark then moves and narrows the others by as much as they share: the conditional
mean and covariance of a normal distribution, nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from rectify.geometry.mesh import Floats
from rectify.limb.chart import wrap_deg

__all__ = ["Belief", "Place"]


@dataclass(frozen=True)
class Place:
    """Where a landmark is expected.

    Parameters
    ----------
    name : str
    level, angle : float
        mm and degrees; with parents, against their weighted mean.
    level_sd, angle_sd : float
        Its own standard deviations, mm and degrees, beside what it shares.
    shares : cause -> (mm, degrees)
        How far one standard deviation of a common cause moves it.
    parents : name -> weight
        Places earlier in the list that it goes with.
    """

    name: str
    level: float
    angle: float
    level_sd: float
    angle_sd: float
    shares: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    parents: Mapping[str, float] = field(default_factory=dict)


class Belief:
    """The joint distribution of several places; `known` and `learn` change it."""

    def __init__(self, places: Sequence[Place]) -> None:
        self.names = tuple(place.name for place in places)
        self._row = {name: 2 * i for i, name in enumerate(self.names)}
        causes = sorted({cause for place in places for cause in place.shares})
        count = len(places)
        load = np.zeros((2 * count, len(causes) + 2 * count))
        self.mean = np.zeros(2 * count)
        for i, place in enumerate(places):
            rows = slice(2 * i, 2 * i + 2)
            self.mean[rows] = place.level, place.angle
            for parent, weight in place.parents.items():
                at = self._row[parent]
                load[rows] += weight * load[at : at + 2]
                self.mean[rows] += weight * self.mean[at : at + 2]
            for cause, moved in place.shares.items():
                load[rows, causes.index(cause)] += moved
            load[2 * i, len(causes) + 2 * i] = place.level_sd
            load[2 * i + 1, len(causes) + 2 * i + 1] = place.angle_sd
        self.covariance = load @ load.T

    def __contains__(self, name: str) -> bool:
        return name in self._row

    def of(self, name: str) -> tuple[Floats, Floats]:
        """Mean (2,) and covariance (2, 2) of one place: level, direction."""
        i = self._row[name]
        return self.mean[i : i + 2].copy(), self.covariance[i : i + 2, i : i + 2].copy()

    def known(self, name: str, level: float, angle: float, level_sd: float, angle_sd: float) -> None:
        """A place is known, give or take; an infinite deviation says nothing of that coordinate."""
        i = self._row[name]
        seen = [k for k, sd in enumerate((level_sd, angle_sd)) if np.isfinite(sd)]
        rows = [i + k for k in seen]
        off = np.array([level - self.mean[i], float(wrap_deg(angle - self.mean[i + 1]))])[seen]
        inside = self.covariance[np.ix_(rows, rows)] + np.diag(np.array([level_sd, angle_sd])[seen] ** 2)
        gain = np.linalg.solve(inside, self.covariance[rows]).T
        self.mean = self.mean + gain @ off
        self._set(self.covariance - gain @ self.covariance[rows])

    def learn(self, name: str, mean: Floats, covariance: Floats) -> None:
        """One place is now believed to lie so: the others follow by what they share with it."""
        i = self._row[name]
        rows = slice(i, i + 2)
        before = self.covariance[rows, rows].copy()
        gain = np.linalg.solve(before, self.covariance[rows]).T
        off = np.array([mean[0] - self.mean[i], float(wrap_deg(mean[1] - self.mean[i + 1]))])
        self.mean = self.mean + gain @ off
        self._set(self.covariance + gain @ (covariance - before) @ gain.T)

    def _set(self, covariance: Floats) -> None:
        self.covariance = (covariance + covariance.T) / 2.0
