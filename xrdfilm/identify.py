"""Finding and naming the strong lines of a raw scan, before any line is fitted.

`find_peaks` looks for bumps of several widths with filters that see neither background nor the
smooth flanks of stronger lines, and rates each against counting noise. `coarse_shift` then slides
the lines that the stack should show over the peaks, as far as a misaligned sample may move them,
with the cell of the film left free, and names what falls together. Where nothing does, the reason
is told: a shift too large, a wrong anode, or another substrate.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy import ndimage

from xrdfilm._typing import BoolArray, FloatArray, Hkl, IntArray
from xrdfilm.errors import AlignmentError
from xrdfilm.radiation import Radiation, anodes, radiation, two_theta_of

if TYPE_CHECKING:
    from xrdfilm.background import Background
    from xrdfilm.crystal import LineList
    from xrdfilm.scan import Scan

# Widths (standard deviations, degrees of 2θ) of the filters: a sharp line, a film's, a fluoride's
FILTER_SIGMAS_DEG = (0.045, 0.12, 0.3)
SIGNIFICANCE = 5.0
# A peak and an expected place closer than this are the same line, before anything is fitted
TOLERANCE_DEG = 0.06
MAX_SHIFT_DEG = 0.3
_LEAST_QUALITY = 0.35  # share of what should show, weighted by strength, that must be found
_LEAST_ALONE = 0.6  # share of one layer's lines for which the others' absence is put up with
_MOST_PEAKS = 60  # more peaks than these, strongest first, are noise or a powder: no help here

ShiftKind = Literal["zero", "displacement"]


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

    ``background``: from `xrdfilm.background`, or values of shape (N,); it only sets heights and
    widths, and is roughly found where None. ``radiation``: where given, peaks that are the
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
        first, last = np.searchsorted(tops, (index - 1.2 * points, index + 1.2 * points))
        if first == last:
            continue
        top = -1
        for near in tops[first:last][np.argsort(-smooth[tops[first:last]])].tolist():
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
        if places and np.any(np.abs(np.array(places) - place) < np.array(reaches)):
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
        below = np.flatnonzero(side < half)
        if below.size == 0:
            ends.append(float(side.size - 1))
            continue
        end = int(below[0])
        drop = float(side[end - 1] - side[end])
        ends.append(end - (half - float(side[end])) / drop if drop > 0.0 else float(end))
    return ends[0] + ends[1]


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


@dataclass(frozen=True, slots=True)
class ExpectedLines:
    """Lines that a layer may show: hkl (N, 3), d in Å (N,), strengths (N,) in any one unit.

    ``cell_freedom``: how far, as a fraction, the cell may differ from the one the spacings were
    computed with (0 for a substrate crystal; about 0.012 for the c axis of a film whose oxygen is
    unknown). Strengths are compared within the layer only, by their order of magnitude.
    """

    name: str
    hkl: IntArray
    d_A: FloatArray
    strength: FloatArray
    cell_freedom: float = 0.0

    @classmethod
    def of(
        cls,
        lines: LineList,
        *,
        aligned: bool = False,
        cell_freedom: float = 0.0,
        least: float = 1e-4,
    ) -> ExpectedLines:
        """From a line list of a phase: all its lines (a powder), or the orders of one normal.

        ``aligned``: the list holds the orders of one normal (`xrdfilm.crystal.lines_along`), so
        multiplicities do not count. Lines weaker than ``least`` of the strongest are left out.
        """
        strength = np.where(np.isfinite(lines.f_squared), lines.f_squared, 1.0)
        if not aligned:
            strength = strength * lines.multiplicity
        strength = strength / np.sin(np.radians(lines.two_theta_deg))
        keep = strength >= least * np.max(strength, initial=0.0)
        return cls(
            lines.phase,
            np.asarray(lines.hkl, dtype=np.int64)[keep],
            np.asarray(lines.d_A, dtype=float)[keep],
            strength[keep],
            cell_freedom,
        )

    def two_theta_deg(self, wavelength_A: float, cell_scale: float = 1.0) -> FloatArray:
        """Places in degrees, nan where the wavelength does not reach the line; shape (N,)."""
        return np.asarray(two_theta_of(self.d_A * cell_scale, wavelength_A), dtype=float)


@dataclass(frozen=True, slots=True)
class Match:
    """An expected line and the peak it was found at, both in degrees of 2θ as measured."""

    name: str
    hkl: Hkl
    peak: int
    observed_deg: float
    expected_deg: float


@dataclass(frozen=True, slots=True)
class CoarseShift:
    """How far a scan is off, roughly, and what its strong peaks are.

    ``shift_deg``: observed minus true 2θ at θ = 0 (``kind`` "displacement": it falls with cosθ) or
    everywhere ("zero"). ``cell_scale``: for each layer, found over stated cell. ``matches`` name
    peaks; one peak may hold lines of several layers. ``unnamed`` are indices of peaks of no layer.
    ``quality``: share of what should show that was found, 0..1. ``missing``: layers with lines in
    the range of which none was found, ``notes`` say what that may mean.
    """

    shift_deg: float
    kind: ShiftKind
    cell_scale: Mapping[str, float]
    matches: tuple[Match, ...]
    unnamed: tuple[int, ...]
    quality: float
    missing: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def places(self, true_two_theta_deg: FloatArray) -> FloatArray:
        """Where lines of these true places are to be looked for, same shape."""
        true = np.asarray(true_two_theta_deg, dtype=float)
        return np.asarray(true + self.shift_deg * _fall(true, self.kind))

    def of(self, name: str) -> Iterator[Match]:
        """The matches of one layer."""
        return (match for match in self.matches if match.name == name)


def _fall(two_theta_deg: FloatArray, kind: ShiftKind) -> FloatArray:
    if kind == "zero":
        return np.ones_like(two_theta_deg)
    return np.asarray(np.cos(np.radians(two_theta_deg) / 2.0))


@dataclass(frozen=True, slots=True)
class _Best:
    score: float
    possible: float
    shift: float
    kind: ShiftKind
    scales: tuple[float, ...]


def coarse_shift(
    peaks: Peaks,
    expected: Sequence[ExpectedLines],
    wavelength_A: float,
    *,
    max_shift_deg: float = MAX_SHIFT_DEG,
    tolerance_deg: float = TOLERANCE_DEG,
    stated_anode: str | None = None,
) -> CoarseShift:
    """The shift under which the expected lines fall on the peaks, and the names of the peaks.

    Raises AlignmentError where less than a third of what should show is found within
    ±``max_shift_deg`` and no layer shows most of its lines; the message says whether a larger shift
    or another anode would fit.
    """
    used = peaks.strongest(_MOST_PEAKS)
    in_range = [_within(lines, used, wavelength_A) for lines in expected]
    if len(used) == 0:
        raise AlignmentError(
            f"no line stands out between {peaks.low_deg:.1f}° and {peaks.high_deg:.1f}°; count "
            "longer, or check that the beam met the sample"
        )
    if not any(mask.any() for mask in in_range):
        raise AlignmentError(
            f"the stated layers have no line between {peaks.low_deg:.1f}° and "
            f"{peaks.high_deg:.1f}°; scan a range that holds a line of film or substrate"
        )
    best = _search(used, expected, wavelength_A, max_shift_deg, tolerance_deg)
    quality = best.score / best.possible if best.possible > 0.0 else 0.0
    matches, unnamed = _named(peaks, expected, wavelength_A, best, tolerance_deg)
    total = sum(int(mask.sum()) for mask in in_range)
    # a substrate cut off its planes shows no line in a coupled scan; the film alone will do then
    for lines, mask in zip(expected, in_range, strict=True):
        count = len({match.peak for match in matches if match.name == lines.name})
        if count >= 4 and count >= _LEAST_ALONE * mask.sum():
            quality = max(quality, count / float(mask.sum()))
    if quality < _LEAST_QUALITY or (total >= 3 and len(matches) < 2):
        raise AlignmentError(
            _why_not(
                peaks, expected, wavelength_A, max_shift_deg, tolerance_deg, quality, stated_anode
            )
        )
    return CoarseShift(
        best.shift,
        best.kind,
        {lines.name: scale for lines, scale in zip(expected, best.scales, strict=True)},
        matches,
        unnamed,
        float(min(quality, 1.0)),
        *_missing(peaks, expected, in_range, matches, unnamed),
    )


def _missing(
    peaks: Peaks,
    expected: Sequence[ExpectedLines],
    in_range: Sequence[BoolArray],
    matches: Sequence[Match],
    unnamed: Sequence[int],
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Layers of which nothing was found, and what to say of it."""
    found = {match.name for match in matches}
    missing = tuple(
        lines.name
        for lines, mask in zip(expected, in_range, strict=True)
        if mask.any() and lines.name not in found
    )
    notes = []
    strongest = int(np.argmax(peaks.heights))
    for name in missing:
        text = f"no line of {name} was found where one should be"
        if strongest in unnamed:
            text += (
                f", and the strongest peak, at {peaks.places_deg[strongest]:.2f}°, belongs to no "
                "stated layer: check that the stated stack is that of the sample"
            )
        notes.append(text)
    return missing, tuple(notes)


def _within(lines: ExpectedLines, peaks: Peaks, wavelength_A: float) -> BoolArray:
    places = lines.two_theta_deg(wavelength_A)
    return np.asarray((places > peaks.low_deg + 0.2) & (places < peaks.high_deg - 0.2))


def _search(
    peaks: Peaks,
    expected: Sequence[ExpectedLines],
    wavelength_A: float,
    max_shift_deg: float,
    tolerance_deg: float,
) -> _Best:
    """The best shift of either kind, with the best cell of every layer at that shift."""
    step = tolerance_deg / 3.0
    count = 2 * int(np.ceil(max_shift_deg / step)) + 1
    shifts = np.linspace(-max_shift_deg, max_shift_deg, count)
    weight = np.log1p(peaks.significance / SIGNIFICANCE)
    weight = weight / weight.max()
    edges = np.concatenate([[-1e3], peaks.places_deg, [1e3]])
    kinds: tuple[ShiftKind, ...] = ("displacement", "zero")
    totals = {kind: np.zeros(count) for kind in kinds}
    scale_of = {kind: np.ones((len(expected), count)) for kind in kinds}
    # peak weights at each shift; a peak that a rigid layer explains says little about a free one,
    # or a film's c would be drawn to where its orders hide under the substrate's
    left = {kind: np.tile(np.concatenate([[0.0], weight, [0.0]]), (count, 1)) for kind in kinds}
    possible = 0.0
    for row in sorted(range(len(expected)), key=lambda i: expected[i].cell_freedom):
        lines = expected[row]
        mask = _within(lines, peaks, wavelength_A)
        if not mask.any():
            continue
        strength = lines.strength[mask]
        importance = 1.0 / (1.0 + 2.0 * np.log10(strength.max() / strength))
        possible += float(importance.sum())
        scales = np.array([1.0])
        if lines.cell_freedom > 0.0:
            # a step moves the highest line by less than half the tolerance
            high = np.radians(np.nanmax(lines.two_theta_deg(wavelength_A)[mask])) / 2.0
            fine = np.radians(tolerance_deg) / (4.0 * np.tan(min(high, 1.2)))
            number = 2 * int(np.ceil(lines.cell_freedom / fine)) + 1
            scales = np.linspace(1.0 - lines.cell_freedom, 1.0 + lines.cell_freedom, number)
        places = two_theta_of(lines.d_A[mask][None, :] * scales[:, None], wavelength_A)
        places = np.where(np.isfinite(places), places, -500.0)
        # a wrong cell within its freedom costs a little, so that ties go to the stated one
        doubt = 0.05 * ((scales - 1.0) / max(lines.cell_freedom, 1e-9)) ** 2
        for kind in kinds:
            looked = places[:, None, :] + shifts[None, :, None] * _fall(places, kind)[:, None, :]
            right = np.searchsorted(edges, looked)
            at = np.arange(count)[None, :, None]
            near = np.maximum(
                left[kind][at, right] * (1.0 - np.abs(edges[right] - looked) / tolerance_deg),
                left[kind][at, right - 1]
                * (1.0 - np.abs(edges[right - 1] - looked) / tolerance_deg),
            )
            score = np.maximum(near, 0.0) @ importance - doubt[:, None]
            top = np.argmax(score, axis=0)
            totals[kind] += score[top, np.arange(count)]
            scale_of[kind][row] = scales[top]
            if lines.cell_freedom == 0.0:
                apart = np.abs(looked[0][:, :, None] - edges[None, None, :]).min(axis=1)
                left[kind] = np.where(apart < tolerance_deg, 0.2 * left[kind], left[kind])
    for kind in kinds:
        totals[kind] -= 0.05 * (shifts / max_shift_deg) ** 2
    kind = max(kinds, key=lambda k: float(totals[k].max()))
    index = int(np.argmax(totals[kind]))
    return _Best(
        float(totals[kind][index]),
        possible,
        float(shifts[index]),
        kind,
        tuple(float(s) for s in scale_of[kind][:, index]),
    )


def _named(
    peaks: Peaks,
    expected: Sequence[ExpectedLines],
    wavelength_A: float,
    best: _Best,
    tolerance_deg: float,
) -> tuple[tuple[Match, ...], tuple[int, ...]]:
    matches: list[Match] = []
    for lines, scale in zip(expected, best.scales, strict=True):
        true = lines.two_theta_deg(wavelength_A, scale)
        looked = true + best.shift * _fall(true, best.kind)
        for hkl, place in zip(lines.hkl, looked, strict=True):
            if not np.isfinite(place) or len(peaks) == 0:
                continue
            apart = np.abs(peaks.places_deg - place)
            near = np.flatnonzero(apart < 1.5 * tolerance_deg)
            if near.size == 0:
                continue
            # the nearest, but a much stronger one a little further off is more likely the line
            liking = np.log1p(peaks.significance[near]) * (1.0 - apart[near] / (2 * tolerance_deg))
            index = int(near[np.argmax(liking)])
            matches.append(
                Match(
                    lines.name,
                    (int(hkl[0]), int(hkl[1]), int(hkl[2])),
                    index,
                    float(peaks.places_deg[index]),
                    float(place),
                )
            )
    named = {match.peak for match in matches}
    unnamed = tuple(i for i in range(len(peaks)) if i not in named)
    matches.sort(key=lambda match: match.observed_deg)
    return tuple(matches), unnamed


def _why_not(
    peaks: Peaks,
    expected: Sequence[ExpectedLines],
    wavelength_A: float,
    max_shift_deg: float,
    tolerance_deg: float,
    quality: float,
    stated_anode: str | None,
) -> str:
    names = ", ".join(lines.name for lines in expected)
    strongest = peaks.strongest(5).places_deg
    seen = ", ".join(f"{place:.2f}°" for place in strongest)
    text = (
        f"the lines of {names} do not fall on the peaks (strongest: {seen}) within "
        f"±{max_shift_deg:g}°; {quality:.0%} of what should show was found"
    )
    other = suspect_anode(peaks, expected, stated_anode, wavelength_A=wavelength_A)
    if other is not None:
        stated = stated_anode or f"{wavelength_A:.4f} Å"
        return f"{text}. The pattern fits {other}, not {stated}: state the anode as {other}"
    used = peaks.strongest(_MOST_PEAKS)
    far = _search(used, expected, wavelength_A, 2.0, tolerance_deg)
    if far.possible > 0.0 and far.score / far.possible > max(_LEAST_QUALITY, 1.3 * quality):
        return (
            f"{text}. A shift of {far.shift:+.2f}° would fit: mount the sample anew and check the "
            "zero of the goniometer, or give the scan's offset"
        )
    return f"{text}. Check the stated film, substrate and buffers, and the anode"


def suspect_anode(
    peaks: Peaks,
    expected: Sequence[ExpectedLines],
    stated: str | None = None,
    *,
    wavelength_A: float | None = None,
    max_shift_deg: float = MAX_SHIFT_DEG,
    tolerance_deg: float = TOLERANCE_DEG,
) -> str | None:
    """An anode that fits the peaks much better than the stated one, else None.

    ``stated``: the anode as stated, or ``wavelength_A`` in its place. At least three lines and
    more than half of what should show must be found with the other anode, and most of the strong
    peaks must be named by it.
    """
    reference = radiation(stated).k_alpha1_A if stated is not None else wavelength_A
    used = peaks.strongest(_MOST_PEAKS)
    if len(used) < 3:
        return None

    def fit_of(wavelength: float) -> tuple[float, int]:
        best = _search(used, expected, wavelength, max_shift_deg, tolerance_deg)
        if best.possible <= 0.0:
            return 0.0, 0
        matches, _ = _named(used, expected, wavelength, best, tolerance_deg)
        # peaks beyond the finest spacing listed cannot be named and speak neither way
        spacing = wavelength / (2.0 * np.sin(np.radians(used.places_deg) / 2.0))
        listed = spacing > min(float(lines.d_A.min()) for lines in expected) * 0.99
        weight = np.where(listed, np.log1p(used.significance / SIGNIFICANCE), 0.0)
        if not listed.any():
            return 0.0, 0
        named = np.zeros(len(used), dtype=bool)
        named[[match.peak for match in matches]] = True
        explained = float(weight[named].sum() / weight.sum())
        return max(best.score / best.possible, 0.0) * explained, int(named.sum())

    now = fit_of(reference)[0] if reference is not None else 0.0
    best_name, best_fit = None, 0.0
    for name in anodes():
        wavelength = radiation(name).k_alpha1_A
        if reference is not None and abs(wavelength / reference - 1.0) < 1e-3:
            continue
        fit, named = fit_of(wavelength)
        if named >= 3 and fit > best_fit:
            best_name, best_fit = name, fit
    if best_name is not None and best_fit > 0.3 and best_fit > 1.8 * now:
        return best_name
    return None
