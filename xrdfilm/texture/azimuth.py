"""Azimuth (φ) scans: in-plane alignment, rotated grains, and grains of no azimuth at all.

A pole at tilt χ of a film with an n-fold axis along its normal shows n peaks a turn. Grains turned
in the plane by 45°, or by another angle, show their own set; grains without any in-plane
alignment lift the level between the peaks. Shares here are shares of the integrated signal, which
for poles of one family at one tilt are shares of volume.

What a peak's width means: the spread of the poles along the arc is
σ_arc² = σ_in² sin²χ + σ_out² cos²χ, and an azimuth scan shows σ_arc / sinχ, so
width² = twist² + (tilt spread · cotχ)². Both widths are given where the tilt spread is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from xrdfilm._typing import FloatArray
from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import DEFAULT_LEVEL, Estimate, from_draws, from_normal
from xrdfilm.intensity.optics import Optics, divergence_on_sample_rad
from xrdfilm.texture.azimuth_sets import (
    NO_PEAKS,
    fit_sets,
    main_set,
    rotation_of,
    significance_of,
    unexplained,
)
from xrdfilm.texture.curve_features import saturated_top
from xrdfilm.texture.fractions import normal_draws
from xrdfilm.texture.peakcurve import CurveFit
from xrdfilm.texture.peakshape import folded_peak

LEAST_RANGE_DEG = 90.0
LEAST_TILT_DEG = 2.0  # of a pole that turns in φ
_DRAWS = 2048


@dataclass(frozen=True, slots=True)
class InPlaneComponent:
    """One set of peaks: turned by ``rotation_deg`` against the main set, with its share."""

    name: str
    rotation_deg: float
    peaks_seen: int
    fwhm_deg: float
    share: Estimate
    significance: float


@dataclass(frozen=True, slots=True)
class AzimuthScan:
    """What an azimuth scan shows.

    ``fwhm_deg`` is the width of the main peaks in azimuth with the instrument's part taken off;
    ``twist_fwhm_deg`` the rotation about the film normal alone, None where the tilt spread is not
    known. ``components`` holds the main set first; their shares and ``in_plane_random`` sum to 1
    where the background was measured, else the shares are those among the aligned grains and
    ``in_plane_random`` is a limit. ``peak_centres_deg`` and ``peak_areas_counts_deg`` are those
    of the main set, ``area_full_turn`` is that of all sets, as if a full turn had been scanned,
    in counts·deg. ``level_counts`` is the height between the peaks, ``film_level`` what of it
    the film scatters. ``fitted``, shape (N,), is the curve at the points of the scan.
    """

    fwhm_deg: Estimate
    twist_fwhm_deg: Estimate | None
    components: tuple[InPlaneComponent, ...]
    in_plane_random: Estimate
    symmetry: int
    peak_centres_deg: tuple[float, ...]
    spacing_deg: float | None
    spacing_sigma_deg: float | None
    peak_areas_counts_deg: tuple[float, ...]
    area_full_turn: float
    area_full_turn_sigma: float
    level_counts: float
    level_sigma_counts: float
    film_level: Estimate
    instrument_fwhm_deg: float
    lorentz_fraction: float
    range_deg: float
    reduced_chi_square: float
    notes: tuple[str, ...]
    fitted: FloatArray

    @property
    def rotated(self) -> Estimate | None:
        """Share of the set turned by 45°, None where it was not asked for."""
        return next((c.share for c in self.components if abs(c.rotation_deg) == 45.0), None)


def azimuth_box_deg(
    two_theta_deg: float, tilt_deg: float, optics: Optics, sample_length_mm: float
) -> float:
    """Width of the instrument's box in azimuth: divergence on the sample over sin χ, degrees.

    Raises CannotTellError for a pole along the normal, which no turn in φ moves.
    """
    if np.sin(np.radians(tilt_deg)) < np.sin(np.radians(LEAST_TILT_DEG)):
        raise CannotTellError(
            f"the reflection stands at χ = {tilt_deg:.1f}°, along the normal: turning the sample "
            "about it changes nothing; scan a tilted reflection, (103) of the film for one"
        )
    box = float(divergence_on_sample_rad(two_theta_deg, optics, sample_length_mm))
    return float(np.degrees(box) / np.sin(np.radians(tilt_deg)))


def azimuth_scan(
    phi_deg: ArrayLike,
    counts: ArrayLike,
    *,
    symmetry: int = 4,
    rotations_deg: Sequence[float] = (45.0,),
    instrument_box_deg: float = 0.0,
    background_counts: float | None = None,
    background_sigma: float | None = None,
    pole_tilt_deg: float | None = None,
    tilt_spread_fwhm_deg: float | None = None,
    tilt_spread_sigma_deg: float = 0.0,
    sigma: ArrayLike | None = None,
    level: float = DEFAULT_LEVEL,
) -> AzimuthScan:
    """Peaks, widths and in-plane shares of an azimuth scan: ascending ``phi_deg``, ``counts`` (N,).

    ``rotations_deg`` are the sets looked for beside the main one. ``background_counts`` is the
    level measured off the reflection (2θ moved away) at the same tilt: without it nobody can tell
    film from background in the level between the peaks. ``pole_tilt_deg`` (χ of the reflection)
    and ``tilt_spread_fwhm_deg`` (out-of-plane mosaic) turn the width into the twist alone.
    Raises CannotTellError for a range under 90° (or under one period), a saturated top, no peaks.
    """
    x, y = np.asarray(phi_deg, dtype=float), np.asarray(counts, dtype=float)
    spread = None if sigma is None else np.asarray(sigma, dtype=float)
    period = 360.0 / symmetry
    _check(x, y, period)
    noise = spread if spread is not None else np.sqrt(np.maximum(y, 1.0))
    full_turn = x[-1] - x[0] > 359.0 - float(np.median(np.diff(x)))
    offset, width = main_set(x, y, noise, period)
    rotations = [float(r) for r in rotations_deg]
    notes: list[str] = []

    wrap = 360.0 if full_turn else None
    asked = len(rotations)

    def fitted() -> tuple[CurveFit, list[list[int]]]:
        return fit_sets(
            x, y, spread, offset, rotations, asked, period, width, instrument_box_deg, wrap
        )

    fit, sets = fitted()
    for _ in range(3):  # sets that nobody asked for
        found = unexplained(x, y, fit, noise, period)
        if found is None or any(abs(found - r) < 1.5 * width for r in (*rotations, 0.0)):
            break
        rotations.append(found)
        fit, sets = fitted()
        rotations[-1] = rotation_of(fit, sets[0], sets[-1], period)
        notes.append(
            f"a set of peaks turned by {rotations[-1]:.1f}° that was not asked for is counted in"
        )

    if significance_of(fit, sets[0]) < 5.0:
        raise CannotTellError(NO_PEAKS)
    peaks = [fit.peaks[i] for i in sets[0]]
    centres = np.array([p.centre_deg for p in peaks])
    areas = np.array([p.area_counts_deg for p in peaks])
    fwhm_sigma = peaks[0].fwhm_sigma_deg
    fwhm = from_normal(peaks[0].fwhm_deg, fwhm_sigma, level=level, bounds=(0.0, None))
    spacing, spacing_sigma = _spacing(centres, np.array([p.centre_sigma_deg for p in peaks]))
    if len(peaks) < symmetry:
        notes.append(
            f"only {len(peaks)} of {symmetry} peaks lie in the range of {x[-1] - x[0]:.0f}°: "
            "unlike in-plane variants or twins cannot be told, and shares rest on these peaks alone"
        )
    if fit.reduced > 2.0:
        notes.append(
            f"the peaks' shape misses the scan (chi-square a degree of freedom {fit.reduced:.1f}); "
            "intervals are widened for it"
        )
    if len(areas) >= 3 and areas.max() > 1.5 * areas.min():
        notes.append(
            f"the main peaks differ by a factor {areas.max() / max(areas.min(), 1e-12):.1f}: "
            "sample off the axis, few grains, or unlike in-plane variants"
        )

    level_counts = float(fit.background.mean())
    level_sigma = float(fit.background_sigma.mean())
    shares, random_share, film_level, turn = _shares(
        fit, sets, symmetry, level_counts, level_sigma, background_counts, background_sigma, level
    )
    if background_counts is None:
        notes.append(
            "the background off the reflection was not measured: shares are those among aligned "
            "grains, and grains without in-plane alignment have an upper limit only"
        )
    components = tuple(
        InPlaneComponent(
            name="main" if i == 0 else f"rotated {rotation:g}°",
            rotation_deg=rotation,
            peaks_seen=len(index),
            fwhm_deg=fit.peaks[index[0]].fwhm_deg,
            share=share,
            significance=significance_of(fit, index),
        )
        for i, (rotation, index, share) in enumerate(
            zip((0.0, *rotations), sets, shares, strict=True)
        )
    )
    twist = None
    if pole_tilt_deg is not None and tilt_spread_fwhm_deg is not None:
        twist = twist_fwhm(
            fwhm, tilt_spread_fwhm_deg, tilt_spread_sigma_deg, pole_tilt_deg, level=level
        )
    return AzimuthScan(
        fwhm_deg=fwhm,
        twist_fwhm_deg=twist,
        components=components,
        in_plane_random=random_share,
        symmetry=symmetry,
        peak_centres_deg=tuple(float(c) for c in centres),
        spacing_deg=spacing,
        spacing_sigma_deg=spacing_sigma,
        peak_areas_counts_deg=tuple(float(a) for a in areas),
        area_full_turn=turn[0],
        area_full_turn_sigma=turn[1],
        level_counts=level_counts,
        level_sigma_counts=level_sigma,
        film_level=film_level,
        instrument_fwhm_deg=instrument_box_deg,
        lorentz_fraction=peaks[0].lorentz_fraction,
        range_deg=float(x[-1] - x[0]),
        reduced_chi_square=fit.reduced,
        notes=tuple(notes),
        fitted=fit.fitted,
    )


def areas_at(
    phi_deg: ArrayLike,
    counts: ArrayLike,
    like: AzimuthScan,
    *,
    sigma: ArrayLike | None = None,
) -> tuple[float, float]:
    """Area of a full turn, with its sigma, at the azimuths and with the width of another scan.

    ``phi_deg``, ``counts`` and ``sigma`` have shape (N,). For peaks that may not show at all: only
    their common area and the level are fitted.
    """
    x, y = np.asarray(phi_deg, dtype=float), np.asarray(counts, dtype=float)
    period = 360.0 / like.symmetry
    first = like.peak_centres_deg[0] % period
    fwhm = like.components[0].fwhm_deg
    inside = sum(1 for k in range(-8, 17) if x[0] <= first + k * period <= x[-1])
    if inside == 0:
        raise CannotTellError("no azimuth of the film's peaks lies in the range of the scan")
    shape = np.zeros(x.size)
    for k in range(-8, 17):
        shape += folded_peak(
            x, first + k * period, fwhm, like.lorentz_fraction, box_deg=like.instrument_fwhm_deg
        )
    columns = np.column_stack([np.ones(x.size), shape])
    variance = np.maximum(y, 1.0) if sigma is None else np.asarray(sigma, dtype=float) ** 2
    for _ in range(4):
        weighted = columns / variance[:, None]
        information = weighted.T @ columns
        solved = np.linalg.solve(information, weighted.T @ y)
        if sigma is None:
            variance = np.maximum(columns @ solved, 0.3)
    covariance = np.linalg.inv(information)
    return like.symmetry * float(solved[1]), like.symmetry * float(np.sqrt(covariance[1, 1]))


def twist_fwhm(
    azimuth_fwhm: Estimate,
    tilt_spread_fwhm_deg: float,
    tilt_spread_sigma_deg: float,
    pole_tilt_deg: float,
    *,
    level: float = DEFAULT_LEVEL,
) -> Estimate:
    """Rotation about the film normal alone: √(width² − (tilt spread · cotχ)²), degrees.

    Where the tilts explain the whole width the result is an upper limit.
    """
    width, sigma = azimuth_fwhm.centre, azimuth_fwhm.sigma
    assert width is not None
    assert sigma is not None
    cot = 1.0 / np.tan(np.radians(pole_tilt_deg))
    part = tilt_spread_fwhm_deg * cot
    square = width**2 - part**2
    square_sigma = 2.0 * np.hypot(width * sigma, part * cot * tilt_spread_sigma_deg)
    squares = square + square_sigma * normal_draws(_DRAWS, 1, seed=5)[:, 0]
    roots = np.sign(squares) * np.sqrt(np.abs(squares))
    value = float(np.sign(square) * np.sqrt(abs(square)))
    return from_draws(value, roots, level=level, bounds=(0.0, None))


def _check(x: FloatArray, y: FloatArray, period: float) -> None:
    if x.ndim != 1 or x.shape != y.shape or not np.all(np.diff(x) > 0.0):
        raise ValueError(f"need one ascending axis with its counts, found {x.shape}, {y.shape}")
    if not (np.all(np.isfinite(x)) and np.all(np.isfinite(y))):
        raise ValueError("axis and counts must be finite")
    span = float(x[-1] - x[0])
    step = float(np.median(np.diff(x)))
    least = max(LEAST_RANGE_DEG, period) - 1.5 * step
    if span < least:
        raise CannotTellError(
            f"the azimuth scan covers {span:.1f}°, less than the {max(LEAST_RANGE_DEG, period):g}° "
            "after which the peaks repeat: neither their number nor rotated or random grains can "
            "be told; scan at least that far, better the full turn"
        )
    if saturated_top(y):
        raise CannotTellError(
            f"the azimuth scan has a flat top at {y.max():g} counts: the detector saturates, so "
            "widths and shares are wrong; measure with an absorber or less beam"
        )


def _spacing(centres: FloatArray, sigmas: FloatArray) -> tuple[float | None, float | None]:
    """Mean distance of neighbouring main peaks, and its uncertainty from their scatter."""
    if centres.size < 2:
        return None, None
    order = np.argsort(centres)
    gaps = np.diff(centres[order])
    counting = float(np.sqrt(sigmas[order][0] ** 2 + sigmas[order][-1] ** 2) / gaps.size)
    scatter = float(gaps.std(ddof=1) / np.sqrt(gaps.size)) if gaps.size > 1 else 0.0
    return float(gaps.mean()), max(counting, scatter)


def _shares(
    fit: CurveFit,
    sets: list[list[int]],
    symmetry: int,
    level_counts: float,
    level_sigma: float,
    background: float | None,
    background_sigma: float | None,
    level: float,
) -> tuple[list[Estimate], Estimate, Estimate, tuple[float, float]]:
    """Shares of the sets, of grains without azimuth, the film's level, and the main set's turn.

    Each set's peaks stand for the full turn; a set turned both ways counts twice the peaks.
    """
    count = len(fit.peaks)
    to_turn = np.zeros((len(sets), count))
    for row, index in enumerate(sets):
        # the mean peak times the peaks a turn holds
        distinct = 2 if len(index) > symmetry else 1
        to_turn[row, index] = symmetry * distinct / len(index)
    areas = np.array([p.area_counts_deg for p in fit.peaks])
    turns = to_turn @ areas
    covariance = to_turn @ fit.area_covariance @ to_turn.T
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    normals = normal_draws(_DRAWS, len(sets) + 1, seed=6)
    drawn = turns + normals[:, : len(sets)] @ root.T
    known = background is not None
    floor = background if background is not None else 0.0
    floor_sigma = 0.0
    if known:
        floor_sigma = np.sqrt(max(floor, 0.0)) if background_sigma is None else background_sigma
    ring_sigma = float(np.hypot(level_sigma, floor_sigma))
    ring = 360.0 * (level_counts - floor)
    drawn_ring = ring + 360.0 * ring_sigma * normals[:, -1]
    film_level = from_normal(level_counts - floor, ring_sigma, level=level, bounds=(0.0, None))
    if not known:
        film_level = Estimate(None, 0.0, film_level.high, level, None, None, {}, (0.0, None))

    def share(at: int | None, with_ring: bool) -> Estimate:
        parts = np.column_stack([drawn, drawn_ring if with_ring else np.zeros(_DRAWS)])
        best = np.append(turns, ring if with_ring else 0.0)
        own = len(sets) if at is None else at
        rest = [i for i in range(parts.shape[1]) if i != own]
        others = np.maximum(parts[:, rest], 0.0).sum(axis=1)
        sample = np.clip(parts[:, own] / np.maximum(parts[:, own] + others, 1e-12), -3.0, 4.0)
        return from_draws(float(best[own] / best.sum()), sample, level=level, bounds=(0.0, 1.0))

    shares = [share(i, known) for i in range(len(sets))]
    ring_share = share(None, True)
    if not known:
        ring_share = Estimate(None, 0.0, ring_share.high, level, None, None, {}, (0.0, 1.0))
    turn = (float(turns.sum()), float(np.sqrt(max(covariance.sum(), 0.0))))
    return shares, ring_share, film_level, turn
