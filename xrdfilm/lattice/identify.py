"""Naming the strong lines of a raw scan, before any line is fitted.

`find_peaks` (in `xrdfilm.lattice.peaks`) lists what stands out. `coarse_shift` slides
the lines that the stack should show over the peaks, as far as a misaligned sample may move them,
with the cell of the film left free, and names what falls together. Where nothing does, the reason
is told: a shift too large, a wrong anode, or another substrate.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray, Hkl
from xrdfilm.crystal.radiation import Radiation, anodes, d_of, radiation, two_theta_of
from xrdfilm.errors import AlignmentError
from xrdfilm.lattice.peaks import SIGNIFICANCE, Peaks, find_peaks, rough_background
from xrdfilm.lattice.shift_search import (
    MAX_SHIFT_DEG,
    TOLERANCE_DEG,
    BestShift,
    ExpectedLines,
    ShiftKind,
    fall,
    scales_of,
    search_shift,
    within,
)

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

_LEAST_QUALITY = 0.35  # share of what should show, weighted by strength, that must be found
_LEAST_ALONE = 0.6  # share of one layer's lines for which the others' absence is put up with
_MOST_PEAKS = 60  # more peaks than these, strongest first, are noise or a powder: no help here


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
        return np.asarray(true + self.shift_deg * fall(true, self.kind))

    def of(self, name: str) -> Iterator[Match]:
        """The matches of one layer."""
        return (match for match in self.matches if match.name == name)


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
    in_range = [within(lines, used, wavelength_A) for lines in expected]
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
    best = search_shift(used, expected, wavelength_A, max_shift_deg, tolerance_deg)
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
    for scale in scales_of(lines, within(lines, peaks, wavelength_A), wavelength_A, tolerance_deg):
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


def _named(
    peaks: Peaks,
    expected: Sequence[ExpectedLines],
    wavelength_A: float,
    best: BestShift,
    tolerance_deg: float,
) -> tuple[tuple[Match, ...], tuple[int, ...]]:
    matches: list[Match] = []
    for lines, scale in zip(expected, best.scales, strict=True):
        true = lines.two_theta_deg(wavelength_A, scale)
        looked = true + best.shift * fall(true, best.kind)
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
    far = search_shift(used, expected, wavelength_A, 2.0, tolerance_deg)
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
        best = search_shift(used, expected, wavelength, max_shift_deg, tolerance_deg)
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
