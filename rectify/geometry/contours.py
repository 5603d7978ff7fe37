"""Closed sections as curves: their pieces in order, and the same curves freed of a scanner's noise.

A tape lies on the outermost points of a section, and of a noisy scan those are the noise's: 0.2 mm of it make every
circumference some 1 mm longer. Here a section is low-passed along its own outline, of fourth order and said in mm, as
`rectify.capture.smooth` does with a surface:

    each wavelength w of the outline is divided by 1 + (2 pi length / w)^4

With a length of 2 mm a ripple of 12.6 mm keeps half its height, one of 6 mm a twentieth, and a circle of radius 50 mm
loses 0.0001 mm of it. How rough an outline is, is told by what the low-pass takes away. The mesh is not touched.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.mesh import Floats, Ints
from rectify.geometry.sections import Cuts

__all__ = ["QuietRings", "chained", "quiet_rings"]

_SAMPLES = 1024  # to a ring: every 0.3 to 0.6 mm of a limb's girth, finer than a scan's edges
_NORMAL = 1.4826  # a normal distribution's standard deviation over its median distance from the mean


@dataclass(frozen=True, eq=False)
class QuietRings:
    """r closed outlines, each as evenly spaced points.

    Parameters
    ----------
    level_of : (r,) int64
    length_mm : (r,)
        Of the outline as it was cut.
    as_cut, quiet : (r, n, 2) mm
    rough_mm : (r,)
        1.48 times the median distance between the two, across the outline: of 0.2 mm of noise on a mesh's vertices some
        0.1, of a clean mesh's facets (3 mm edges) less than 0.01.
    """

    level_of: Ints
    length_mm: Floats
    as_cut: NDArray[np.float64]
    quiet: NDArray[np.float64]
    rough_mm: Floats

    def blended(self, share: Floats) -> NDArray[np.float64]:
        """(r, n, 2): from as cut (0) to quiet (1), by ring."""
        return np.asarray(self.as_cut + share[:, None, None] * (self.quiet - self.as_cut))


def chained(cuts: Cuts) -> tuple[Ints, Ints]:
    """The pieces of closed sections in the order they follow each other.

    Returns
    -------
    (s,) int64
        Indices of pieces, ring by ring; pieces of open sections are left out.
    (s,) int64
        The ring each belongs to, from 0.
    """
    pieces = np.flatnonzero(cuts.closed[cuts.level_of])
    if not len(pieces):
        return pieces, pieces
    level = cuts.level_of[pieces]
    size = np.int64(1) + max(cuts.start_edges.max(), cuts.end_edges.max())
    leave, arrive = level * size + cuts.start_edges[pieces], level * size + cuts.end_edges[pieces]
    order = np.argsort(leave)
    following = order[np.searchsorted(leave[order], arrive)]
    doublings = int(np.ceil(np.log2(max(int(np.bincount(level).max()), 2))))
    own = np.arange(len(pieces))
    first, jump = own, following  # the least index of each ring, by doubling the steps that are looked ahead
    for _ in range(doublings):
        first, jump = np.minimum(first, first[jump]), jump[jump]
    root = first == own
    left, jump = np.where(root, 0, 1), np.where(root, own, following)  # steps until the ring's first piece
    for _ in range(doublings):
        left, jump = left + left[jump], jump[jump]
    place = np.where(root, -np.inf, -left)
    sorted_ = np.lexsort((place, first))
    ring = np.cumsum(root[sorted_]) - 1
    return pieces[sorted_], ring


def quiet_rings(cuts: Cuts, length_mm: float) -> QuietRings:
    """The closed outlines of horizontal sections, low-passed along themselves.

    Parameters
    ----------
    cuts : Cuts
        Their x and y count.
    length_mm : float
    """
    pieces, ring = chained(cuts)
    starts, ends = cuts.starts[pieces, :2], cuts.ends[pieces, :2]
    long = np.linalg.norm(ends - starts, axis=1)
    count = int(ring[-1]) + 1 if len(ring) else 0
    until = np.cumsum(long)
    total: Floats = np.bincount(ring, weights=long, minlength=count).astype(np.float64)  # integers where there are none
    begins = np.concatenate([[0.0], np.cumsum(total)[:-1]]) if count else np.zeros(0)
    first = np.searchsorted(ring, np.arange(count))
    # from the point of greatest y on: a mirrored section, which runs the other way, has its samples at mirrored places
    ahead = np.lexsort((-starts[:, 1], ring))[first]
    start = (until - long)[ahead] - begins
    on = start[:, None] + total[:, None] * np.arange(_SAMPLES) / _SAMPLES
    at = begins[:, None] + on % np.maximum(total, 1e-12)[:, None]
    last = np.concatenate([first[1:], [len(ring)]]) - 1 if count else first
    piece = np.clip(np.searchsorted(until, at, side="right"), first[:, None], last[:, None])
    share = (at - (until - long)[piece]) / np.maximum(long[piece], 1e-12)
    as_cut = starts[piece] + np.clip(share, 0.0, 1.0)[:, :, None] * (ends - starts)[piece]
    curve = as_cut[:, :, 0] + 1j * as_cut[:, :, 1]
    wave: Floats = 2 * np.pi * np.fft.fftfreq(_SAMPLES, 1.0 / _SAMPLES) / np.maximum(total, 1e-12)[:, None]
    spectrum = np.fft.fft(curve, axis=1) / (1.0 + (wave * length_mm) ** 4)
    quiet, way = np.fft.ifft(spectrum, axis=1), np.fft.ifft(1j * wave * spectrum, axis=1)
    across = ((curve - quiet) * np.conj(way)).imag / np.maximum(np.abs(way), 1e-12)
    rough = _NORMAL * np.median(np.abs(across), axis=1) if count else np.zeros(0)
    level_of = cuts.level_of[pieces[first]] if count else np.zeros(0, dtype=np.int64)
    return QuietRings(level_of, total, as_cut, np.stack([quiet.real, quiet.imag], axis=2), np.asarray(rough))
