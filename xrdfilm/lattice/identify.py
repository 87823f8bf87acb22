"""Naming the strong lines of a raw scan, before any line is fitted.

`find_peaks` (in `xrdfilm.lattice.peaks`) lists what stands out. `coarse_shift` slides
the lines that the stack should show over the peaks, as far as a misaligned sample may move them,
with the cell of the film left free, and names what falls together. Where nothing does, the reason
is told: a shift too large, a wrong anode, or another substrate.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray, Hkl, IntArray
from xrdfilm.crystal.radiation import Radiation, anodes, d_of, radiation, two_theta_of
from xrdfilm.errors import AlignmentError
from xrdfilm.lattice.peaks import SIGNIFICANCE, Peaks, find_peaks, rough_background

if TYPE_CHECKING:
    from xrdfilm.crystal import LineList

__all__ = [
    "CoarseShift",
    "ExpectedLines",
    "Match",
    "Peaks",
    "coarse_shift",
    "find_peaks",
    "rough_background",
    "suspect_anode",
]

# A peak and an expected place closer than this are the same line, before anything is fitted
TOLERANCE_DEG = 0.06
MAX_SHIFT_DEG = 0.3
_LEAST_QUALITY = 0.35  # share of what should show, weighted by strength, that must be found
_LEAST_ALONE = 0.6  # share of one layer's lines for which the others' absence is put up with
_MOST_PEAKS = 60  # more peaks than these, strongest first, are noise or a powder: no help here

ShiftKind = Literal["zero", "displacement"]


@dataclass(frozen=True, slots=True)
class ExpectedLines:
    """Lines that a layer may show: hkl (N, 3), d in Å (N,), strengths (N,) in any one unit.

    ``cell_freedom``: how far, as a fraction, the cell may differ from the one the spacings were
    computed with (0 for a substrate crystal; about 0.012 for the c axis of a film whose oxygen is
    unknown); ``cell_shrinkage`` is the same towards smaller cells, None for as much. Strengths are
    compared within the layer only, by their order of magnitude.
    """

    name: str
    hkl: IntArray
    d_A: FloatArray
    strength: FloatArray
    cell_freedom: float = 0.0
    cell_shrinkage: float | None = None

    @classmethod
    def of(
        cls,
        lines: LineList,
        *,
        aligned: bool = False,
        cell_freedom: float = 0.0,
        cell_shrinkage: float | None = None,
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
            cell_shrinkage,
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


def scale_under(
    shift: CoarseShift,
    peaks: Peaks,
    lines: ExpectedLines,
    rays: Radiation,
    *,
    tolerance_deg: float = TOLERANCE_DEG,
) -> float | None:
    """The cell of a layer, found over stated, under a shift that other layers gave.

    From the peaks that those left unnamed, ghosts aside; None where fewer than two of them, or
    less than a third by weight, lie where the orders of one cell would have them.
    """
    wavelength_A = rays.k_alpha1_A
    ghosts = [w for w in (rays.k_beta_A, *rays.tungsten_A) if w is not None]
    named = np.setdiff1d(np.arange(len(peaks)), shift.unnamed)
    spacings = d_of(peaks.places_deg[named], wavelength_A)
    thrown = np.concatenate([np.empty(0), *(two_theta_of(spacings, w) for w in ghosts)])
    unnamed = np.array(
        [
            i
            for i in shift.unnamed
            if not np.any(np.abs(thrown - peaks.places_deg[i]) < 1.5 * tolerance_deg)
        ],
        dtype=int,
    )
    if unnamed.size < 2:
        return None
    at, weight = peaks.places_deg[unnamed], np.log1p(peaks.significance[unnamed] / SIGNIFICANCE)
    best, found = 0.0, None
    for scale in _scales(lines, _within(lines, peaks, wavelength_A), wavelength_A, tolerance_deg):
        true = lines.two_theta_deg(wavelength_A, float(scale))
        looked = shift.places(true[np.isfinite(true)])
        gap = np.abs(at[:, None] - looked[None, :])
        nearest = gap.min(axis=1)
        # every peak counts once, and so does every order
        met = nearest < tolerance_deg
        orders = np.unique(gap.argmin(axis=1)[met])
        score = float((weight * (1.0 - nearest / tolerance_deg))[met].sum())
        enough = weight[met].sum() > _LEAST_QUALITY * weight.sum()
        if orders.size >= 2 and enough and score > best:
            best, found = score, float(scale)
    return found


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
        scales = _scales(lines, mask, wavelength_A, tolerance_deg)
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


def _scales(
    lines: ExpectedLines, mask: BoolArray, wavelength_A: float, tolerance_deg: float
) -> FloatArray:
    """Cells to be tried, found over stated, (K,); ``mask`` marks the lines within the scan."""
    if lines.cell_freedom <= 0.0 or not mask.any():
        return np.array([1.0])
    # a step moves the highest line by less than half the tolerance
    high = np.radians(np.nanmax(lines.two_theta_deg(wavelength_A)[mask])) / 2.0
    fine = np.radians(tolerance_deg) / (4.0 * np.tan(min(high, 1.2)))
    shrinkage = lines.cell_freedom if lines.cell_shrinkage is None else lines.cell_shrinkage
    smaller = -fine * np.arange(int(np.ceil(shrinkage / fine)), 0, -1)
    larger = fine * np.arange(int(np.ceil(lines.cell_freedom / fine)) + 1)
    return np.asarray(1.0 + np.concatenate([smaller, larger]))


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
