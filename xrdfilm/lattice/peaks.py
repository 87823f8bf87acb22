"""Peaks of a raw scan: a quick search that needs neither background nor widths.

Bumps of several widths are looked for with filters (minus the second derivative of a Gaussian)
that see neither background nor the smooth flanks of stronger lines; each is rated against
counting noise.
"""

from __future__ import annotations

import itertools
from bisect import bisect_left
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from xrdfilm._typing import BoolArray, FloatArray, IntArray
from xrdfilm.crystal.radiation import Radiation

if TYPE_CHECKING:
    from xrdfilm.fitting.background import Background
    from xrdfilm.scan import Scan

# Widths (standard deviations, degrees of 2θ) of the filters: a sharp line, a film's, a fluoride's
FILTER_SIGMAS_DEG = (0.045, 0.12, 0.3)
SIGNIFICANCE = 5.0


@dataclass(frozen=True, slots=True)
class Peaks:
    """Peaks of a raw scan in ascending place; all arrays of shape (N,).

    ``places_deg``: top of the peak in degrees of 2θ (near K-alpha1, good to about a tenth of the
    width); ``heights``: counts above background; ``widths_deg``: full width at half maximum as it
    stands, instrument and K-alpha2 included; ``significance``: matched-filter response over its
    counting noise. ``low_deg``, ``high_deg``: the range that was searched.
    ``single_points_deg``: places of lone high points, which no line makes (a hot detector
    element, a cosmic ray).
    """

    places_deg: FloatArray
    heights: FloatArray
    widths_deg: FloatArray
    significance: FloatArray
    low_deg: float
    high_deg: float
    single_points_deg: FloatArray

    def __len__(self) -> int:
        return int(self.places_deg.size)

    def subset(self, keep: BoolArray | IntArray) -> Peaks:
        """The peaks of this mask or these indices."""
        return Peaks(
            self.places_deg[keep],
            self.heights[keep],
            self.widths_deg[keep],
            self.significance[keep],
            self.low_deg,
            self.high_deg,
            self.single_points_deg,
        )

    def strongest(self, count: int) -> Peaks:
        """The most significant peaks, still in ascending place."""
        if len(self) <= count:
            return self
        return self.subset(np.sort(np.argsort(-self.significance)[:count]))


def find_peaks(
    scan: Scan,
    background: Background | FloatArray | None = None,
    *,
    radiation: Radiation | None = None,
    significance: float = SIGNIFICANCE,
    lowest_deg: float = 4.0,
) -> Peaks:
    """The peaks of a scan.

    ``background``: from `xrdfilm.fitting.background`, or values of shape (N,); it only sets heights
    and widths, and is roughly found where None. ``radiation``: where given, peaks that are the
    K-alpha2 companion of a stronger one are not listed. Peaks below ``lowest_deg`` are the direct
    beam and left out.
    """
    axis = np.asarray(scan.axis_deg, dtype=float)
    counts = np.asarray(scan.counts, dtype=float)
    sigma = np.asarray(scan.uncertainty(), dtype=float)
    if scan.sigma is None and not scan.poisson:
        sigma = _scatter(counts)
    if background is None:
        base = rough_background(axis, counts)
    else:
        base = np.asarray(getattr(background, "values", background), dtype=float)
    kept = axis >= lowest_deg
    found: list[Peaks] = []
    if kept.sum() > 1:
        axis, counts, sigma, base = axis[kept], counts[kept], sigma[kept], base[kept]
        steps = np.diff(axis)
        cuts = np.flatnonzero(steps > 5.0 * np.median(steps)) + 1
        for index in np.split(np.arange(axis.size), cuts):
            if index.size >= 9:
                found.append(
                    _peaks_of_range(
                        axis[index], counts[index], sigma[index], base[index], significance
                    )
                )
    if not found:
        nothing = np.empty(0)
        return Peaks(
            nothing, nothing, nothing, nothing, float(lowest_deg), float(lowest_deg), nothing
        )
    peaks = Peaks(
        np.concatenate([part.places_deg for part in found]),
        np.concatenate([part.heights for part in found]),
        np.concatenate([part.widths_deg for part in found]),
        np.concatenate([part.significance for part in found]),
        found[0].low_deg,
        found[-1].high_deg,
        np.concatenate([part.single_points_deg for part in found]),
    )
    if radiation is not None and radiation.k_alpha2_A is not None:
        peaks = peaks.subset(~_k_alpha2_companions(peaks, radiation))
    return peaks


def rough_background(axis_deg: FloatArray, counts: FloatArray) -> FloatArray:
    """A background good enough to measure heights from, shape (N,): lower quartiles of blocks."""
    n = axis_deg.size
    span = float(axis_deg[-1] - axis_deg[0]) if n > 1 else 0.0
    blocks = int(np.clip(span / 1.5, 1, max(1, n // 8)))
    edges = np.linspace(0, n, blocks + 1).astype(int)
    pairs = list(itertools.pairwise(edges))
    centres = axis_deg[[(first + last - 1) // 2 for first, last in pairs]]
    low = np.array(
        [
            np.partition(counts[first:last], (last - first) // 4)[(last - first) // 4]
            for first, last in pairs
        ]
    )
    if low.size >= 5:  # a block that a broad line fills is bridged by its neighbours
        low = np.minimum(low, ndimage.median_filter(low, 5, mode="nearest"))
    return np.asarray(np.interp(axis_deg, centres, low))


def _scatter(counts: FloatArray) -> FloatArray:
    """Noise of intensities that are no counts, from second differences in blocks; shape (N,)."""
    if counts.size < 16:
        return np.full(counts.size, max(float(np.std(counts)), 1e-300))
    bend = np.abs(counts[:-2] - 2.0 * counts[1:-1] + counts[2:])
    blocks = max(1, counts.size // 64)
    pieces = np.array_split(bend, blocks)
    noise = np.array([np.median(piece) for piece in pieces]) * 1.4826 / np.sqrt(6.0)
    centres = (np.arange(blocks) + 0.5) * counts.size / blocks
    found = np.interp(np.arange(counts.size), centres, noise)
    return np.asarray(np.maximum(found, max(float(np.median(noise)) * 0.05, 1e-300)))


def _bump_filter(values: FloatArray, variance: FloatArray, width_points: float) -> FloatArray:
    """Response to minus the second derivative of a Gaussian over its noise, shape (N,)."""
    reach = min(int(np.ceil(3.5 * width_points)), values.size - 1)
    t = np.arange(-reach, reach + 1) / width_points
    kernel = (1.0 - t**2) * np.exp(-0.5 * t**2)
    kernel -= kernel.mean()
    response = ndimage.correlate1d(values, kernel, mode="reflect")
    # the noise varies slowly: one smoothing stands for the sum over the squared kernel
    spread = ndimage.uniform_filter1d(variance, 2 * max(1, int(width_points)) + 1, mode="reflect")
    return np.asarray(response / np.sqrt(np.maximum(spread * np.sum(kernel**2), 1e-300)))


def _peaks_of_range(
    axis: FloatArray,
    counts: FloatArray,
    sigma: FloatArray,
    base: FloatArray,
    threshold: float,
) -> Peaks:
    step = float(np.median(np.diff(axis)))
    hot = _single_points(counts, base)
    cleaned = counts.copy()
    if hot.size:
        cleaned[hot] = 0.5 * (counts[hot - 1] + counts[hot + 1])
    # noise of the smoothed counts, not of each count: a point that fell low must not look certain
    variance = np.maximum(ndimage.uniform_filter1d(sigma**2, 5, mode="nearest"), 1e-300)
    fine = max(0.03 / step, 0.7)
    smooth = ndimage.gaussian_filter1d(cleaned, fine, mode="nearest")
    noise_of_smooth = np.sqrt(variance / (2.0 * np.sqrt(np.pi) * fine))
    tops = np.flatnonzero((smooth[1:-1] >= smooth[:-2]) & (smooth[1:-1] > smooth[2:])) + 1
    tops_in_order = tops.tolist()
    height_of = dict(zip(tops_in_order, smooth[tops].tolist(), strict=True))
    reach_of_top = int(max(9, 3.0 / step)) // 2
    stands_out: dict[int, bool] = {}

    candidates = _bumps(cleaned, variance, step, threshold)
    places: list[float] = []
    tops_at: list[int] = []
    rated_at: list[float] = []
    reaches: list[float] = []
    seen: set[int] = set()
    for rating, index, points in sorted(candidates, reverse=True):
        # the K-alpha1 top, where a broad filter sees the doublet's middle
        first = bisect_left(tops_in_order, index - 1.2 * points)
        last = bisect_left(tops_in_order, index + 1.2 * points)
        top = -1
        for near in sorted(tops_in_order[first:last], key=height_of.__getitem__, reverse=True):
            # only a top that stands out of its surroundings is one, not a ripple on a flank
            if near not in stands_out:
                least = 3.0 * float(noise_of_smooth[near])
                stands_out[near] = _prominence(smooth, near, reach_of_top) > least
            if stands_out[near]:
                top = near
                break
        if top < 0 or top in seen:
            continue
        seen.add(top)
        at_place = _interpolated_top(smooth, top)
        below = int(at_place)
        place = float(axis[below] + (at_place - below) * step)
        if any(abs(at - place) < reach for at, reach in zip(places, reaches, strict=True)):
            continue
        reaches.append(max(0.05, 1.2 * min(points * step, 0.15)))
        places.append(place)
        tops_at.append(top)
        rated_at.append(rating)
    order = np.argsort(places)
    index_of = np.array(tops_at, dtype=int)[order]
    net = smooth - base
    heights = net[index_of]
    real = heights > 0.0
    order, index_of, heights = order[real], index_of[real], heights[real]
    widths = np.array([_width_at_half(net, int(i)) * step for i in index_of])
    return Peaks(
        np.array(places)[order],
        np.asarray(heights, dtype=float),
        np.asarray(widths, dtype=float),
        np.array(rated_at)[order],
        float(axis[0]),
        float(axis[-1]),
        axis[hot],
    )


def _bumps(
    counts: FloatArray, variance: FloatArray, step_deg: float, threshold: float
) -> list[tuple[float, int, float]]:
    """Rating, index and filter width in points of everything that one of the filters sees."""
    found: list[tuple[float, int, float]] = []
    for width in FILTER_SIGMAS_DEG:
        points = max(width / step_deg, 0.9)
        if points > counts.size / 6:
            continue
        rated = _bump_filter(counts, variance, points)
        at = np.flatnonzero(
            (rated[1:-1] > threshold) & (rated[1:-1] >= rated[:-2]) & (rated[1:-1] > rated[2:])
        )
        found.extend((float(rated[i]), int(i), points) for i in at + 1)
    return found


def _prominence(values: FloatArray, top: int, reach: int) -> float:
    """How far a top stands above the higher of the valleys to its sides, within ``reach`` points.

    A side ends where something higher than the top begins.
    """
    height = float(values[top])
    valleys = []
    for side in (values[max(0, top - reach) : top][::-1], values[top + 1 : top + 1 + reach]):
        higher = np.flatnonzero(side > height)
        part = side[: higher[0]] if higher.size else side
        valleys.append(float(part.min()) if part.size else height)
    return height - max(valleys)


def _width_at_half(net: FloatArray, top: int) -> float:
    """Full width at half of the value at ``top``, in points."""
    half = 0.5 * float(net[top])
    ends = []
    for side in (net[: top + 1][::-1], net[top:]):
        end = _first_below(side, half)
        if end < 0:
            ends.append(float(side.size - 1))
            continue
        drop = float(side[end - 1] - side[end])
        ends.append(end - (half - float(side[end])) / drop if drop > 0.0 else float(end))
    return ends[0] + ends[1]


def _first_below(values: FloatArray, level: float) -> int:
    """Index of the first value below a level, -1 where none is; most are found near the start."""
    for reach in (32, values.size):
        below = values[:reach] < level
        first = int(below.argmax()) if below.size else 0
        if below.size and below[first]:
            return first
    return -1


def _interpolated_top(values: FloatArray, index: int) -> float:
    """Index of the top of the parabola through three points, as a fraction."""
    if not 0 < index < values.size - 1:
        return float(index)
    left, middle, right = (float(v) for v in values[index - 1 : index + 2])
    bend = left - 2.0 * middle + right
    if bend >= 0.0:
        return float(index)
    return index + min(max(0.5 * (left - right) / bend, -0.5), 0.5)


def _single_points(counts: FloatArray, base: FloatArray) -> IntArray:
    """Indices of points that stand alone: high, with nothing of it in either neighbour."""
    if counts.size < 5:
        return np.empty(0, dtype=np.int64)
    beside = np.maximum(np.maximum(counts[1:-3], counts[3:-1]), np.maximum(counts[:-4], counts[4:]))
    ground = base[2:-2]
    excess = counts[2:-2] - ground
    noise = np.sqrt(np.maximum(ground, 1e-12)) if np.max(counts) > 0 else np.ones_like(ground)
    lone = (excess > 8.0 * noise) & (beside - ground < 0.15 * excess) & (excess > 0.5 * ground)
    return np.asarray(np.flatnonzero(lone) + 2, dtype=np.int64)


def _k_alpha2_companions(peaks: Peaks, radiation: Radiation) -> BoolArray:
    """Which peaks stand where the K-alpha2 of a stronger one must, with a fitting height."""
    companion = np.zeros(len(peaks), dtype=bool)
    assert radiation.k_alpha2_A is not None
    sine = np.sin(np.radians(peaks.places_deg) / 2.0) * radiation.k_alpha2_A / radiation.k_alpha1_A
    second = np.degrees(2.0 * np.arcsin(np.minimum(sine, 1.0)))
    for i in np.argsort(-peaks.heights):
        if companion[i]:
            continue
        ratio = peaks.heights / peaks.heights[i]
        apart = np.abs(peaks.places_deg - second[i])
        reach = max(0.025, 0.15 * float(second[i] - peaks.places_deg[i]))
        companion |= (apart < reach) & (ratio > 0.25) & (ratio < 0.9)
    return companion
