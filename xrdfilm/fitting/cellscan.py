"""Forced fits of one line at every cell edge of a range, and what a search over it costs.

At each cell edge of a grid a cubic phase's line has a known place; with a known shape only its
area is open. All places of one window share the same background and the same neighbours, so these
are projected out once, and the whole grid becomes one matrix product. The areas are signed and
linear in the counts.

A search over cells finds a maximum, not a number drawn at random. With w(a) the unit vector that
turns the whitened counts into the significance Z(a), the probability that chance alone lifts the
maximum over a path above z is bounded by

    P(max Z > z)  <=  P(Z > z) + L/(2π) exp(-z²/2),     L = length of the path w(a) on the sphere

(Hotelling, Am. J. Math. 61 (1939) 440; Knowles and Siegmund, Int. Stat. Rev. 57 (1989) 205; the
count of upcrossings behind it is Rice's, and Davies, Biometrika 64 (1977) 247), close to equality
in the tail. All citations from memory; the formula is tested by simulation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import gammaincc, ndtr, ndtri

from xrdfilm._typing import FloatArray
from xrdfilm.fitting.line_window import LineShape, LineWindow, expected_counts, poisson_fit
from xrdfilm.fitting.profile import doublet

KNOWN_SHARE = 0.03  # a place that keeps less of its information than this beside others is unusable
PLAIN = 10.0  # significance of a line that nobody doubts
ASTRAY = 4.0  # chi-square a degree of freedom beyond which a window is not described at all
_TABLE_PER_FWHM = 64


@dataclass(frozen=True, slots=True)
class LineScan:
    """One line fitted at G cell edges.

    ``areas``, ``sigma_blank`` (uncertainty where no line is there, by counting and by neighbours'
    places), ``variance_slope`` (what a true area A adds to the variance: slope × A), ``third``
    (third cumulant of a blank's area, relative to sigma³) and ``path`` (cosine between the whitened
    estimators of grid point and next) have shape (G,), ``path`` (G-1,). ``usable`` (G,) is False
    where the place is outside the scan or cannot be told from its neighbours, and at all of them
    where no fit describes the window. ``share`` (G,) is the part of the line's information that
    background and neighbours leave. ``found`` names the neighbours that stand out, with their
    significance. ``chi_square`` belongs to the best of the fits.
    """

    places_deg: FloatArray
    areas: FloatArray
    sigma_blank: FloatArray
    variance_slope: FloatArray
    third: FloatArray
    path: FloatArray
    usable: np.ndarray
    share: FloatArray
    background: FloatArray
    found: tuple[tuple[str, float], ...]
    chi_square: float
    dof: int
    widened: float

    def sigma(self, index: int, area: float | None = None) -> float:
        """Standard uncertainty of the area at a grid point, the line's own counts included."""
        true = max(float(self.areas[index]) if area is None else area, 0.0)
        return float(np.sqrt(self.sigma_blank[index] ** 2 + self.variance_slope[index] * true))


def scan_line(window: LineWindow, places_deg: FloatArray, shape: LineShape) -> LineScan:
    """Fit the window's line at each of ``places_deg`` (G,), with weights of a film without it.

    Background and neighbours are projected out of data and profiles at once. The estimates are
    linear in the counts, as a decision needs; for the amount of a line that shows use `fit_line`.
    """
    x, y, basis, counting = window.x, window.y, window.basis, window.counting
    model, floor = window.model, window.floor
    profiles = _profiles(x, places_deg, shape, window.ratio, window.second_share)
    step = float(x[-1] - x[0]) / (x.size - 1)
    inside = profiles.sum(axis=1) * step > 0.6
    for turn in range(2):
        variance = np.maximum(model, floor) if counting else window.fixed
        root = 1.0 / np.sqrt(variance)
        orthonormal, _ = np.linalg.qr(basis * root[:, None])
        whitened = profiles * root
        total = np.einsum("gn,gn->g", whitened, whitened)
        whitened = whitened - (whitened @ orthonormal) @ orthonormal.T
        information = np.einsum("gn,gn->g", whitened, whitened)
        left = y * root
        left = left - orthonormal @ (orthonormal.T @ left)
        safe = np.maximum(information, 1e-12 * np.maximum(total.max(), 1e-300))
        areas = (whitened @ left) / safe
        share = information / np.maximum(total, 1e-300)
        usable = (share > KNOWN_SHARE) & inside
        significance = np.where(usable, areas * np.sqrt(safe), -np.inf)
        best = int(np.argmax(significance))
        if turn == 1 or not counting or significance[best] < 4.0:
            break
        # a real line lifts the fitted background: take it out before the blank is judged
        lit = np.hstack([basis, profiles[best][:, None]])
        model, _, _ = poisson_fit(lit, y, window.fixed, floor, True, without_last=True)
    dof = max(x.size - basis.shape[1] - 1, 1)
    there = max(float(significance[best]), 0.0) if np.isfinite(significance[best]) else 0.0
    spread_of = variance
    if counting and there > 0.0:
        spread_of = variance + max(float(areas[best]), 0.0) * profiles[best]
    residual = left - (whitened[best] * areas[best] if there > 0.0 else 0.0)
    chi_square = float(np.sum(np.square(residual) * variance / spread_of))
    inverse_sum = float(np.sum(1.0 / spread_of)) if counting else 0.0
    # where the best line is strong its shape counts too, and that is not the background's fault
    misfit = chi_square > dof + 4.0 * np.sqrt(2.0 * dof + inverse_sum) and there < PLAIN
    widened = chi_square / dof if misfit else 1.0
    # where the line explains less of a window's structure than is left over, it is no line's
    if chi_square > ASTRAY * dof and chi_square - dof > there**2:
        usable = np.zeros_like(usable)
    estimator = whitened * root / safe[:, None]
    # beside a plain line its flanks pass for neighbours, of whose places nobody need be in doubt
    misplaced = np.square(estimator @ window.doubtful).sum(axis=1) if there < PLAIN else 0.0
    square = np.square(estimator)
    third = np.zeros_like(areas)
    slope = np.zeros_like(areas)
    if counting:
        with np.errstate(over="ignore", invalid="ignore"):
            third = np.where(usable, ((square * estimator) @ variance) * np.power(safe, 1.5), 0.0)
        slope = np.einsum("gn,gn->g", square, profiles) * widened
    unit = whitened / np.sqrt(safe)[:, None]
    return LineScan(
        places_deg,
        areas,
        np.sqrt(widened / safe + misplaced),
        slope,
        third,
        np.einsum("gn,gn->g", unit[:-1], unit[1:]),
        usable,
        share,
        np.interp(places_deg, x, model),
        window.found,
        chi_square,
        dof,
        float(np.sqrt(widened)),
    )


@dataclass(frozen=True, slots=True)
class LineFit:
    """The most likely area of a line at one place, its own counts in weights and variance.

    ``misfit`` is the Poisson deviance (chi-square for given uncertainties) of the whole window.
    """

    area: float
    variance: float
    misfit: float


def fit_line(window: LineWindow, place_deg: float, shape: LineShape) -> LineFit:
    """Maximum-likelihood area at a place, for a line that shows (a negative one stays linear)."""
    profile = _profiles(window.x, np.array([place_deg]), shape, window.ratio, window.second_share)[
        0
    ]
    basis = np.hstack([window.basis, profile[:, None]])
    y, floor = window.y, window.floor
    variance = window.fixed if not window.counting else np.maximum(window.model, floor)
    for turn in range(4 if window.counting else 1):
        weighted = basis.T / variance
        normal = weighted @ basis
        scale = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
        inverse = np.linalg.inv(normal * np.outer(scale, scale) + 1e-12 * np.eye(scale.size))
        inverse *= np.outer(scale, scale)
        amplitudes = inverse @ (weighted @ y)
        model = basis @ amplitudes
        if window.counting and turn < 3:
            blank = expected_counts(window.basis, amplitudes[:-1], floor)
            variance = blank + max(float(amplitudes[-1]), 0.0) * profile
    if window.counting:
        expected = np.maximum(model, 0.01 * floor)
        ratio = np.where(y > 0.0, np.log(np.maximum(y, 1e-300) / expected), 0.0)
        misfit = 2.0 * float(np.sum(expected - y + y * ratio))
    else:
        misfit = float(np.sum(np.square(y - model) / variance))
    return LineFit(float(amplitudes[-1]), float(inverse[-1, -1]), misfit)


def _profiles(
    x: FloatArray, places_deg: FloatArray, shape: LineShape, ratio: float, share: float
) -> FloatArray:
    """Unit-area doublets at all places, shape (G, N), read off one fine table."""
    middle = float(np.mean(places_deg))
    step = shape.fwhm_deg / _TABLE_PER_FWHM
    low = float(x[0] - places_deg.max()) - step
    number = int((x[-1] - places_deg.min() - low) / step) + 3
    offsets = low + step * np.arange(number)
    table = doublet(
        np.asarray(middle + offsets),
        np.array(middle),
        np.array(shape.fwhm_deg),
        np.array(shape.lorentz_fraction),
        np.array(ratio),
        np.array(share),
    )
    index = (x[None, :] - places_deg[:, None] - (low - 0.5 * step)) * (1.0 / step)
    return np.asarray(table.take(index.astype(np.int64), mode="clip"))


def normal_score(significance: float, third: float) -> float:
    """The normal deviate as improbable as this significance of a skewed (Pearson III) estimate.

    ``third`` is the third cumulant over sigma³; for 0 the significance itself comes back.
    """
    if abs(third) < 0.02 or significance < 0.0:
        return significance - third * (significance**2 - 1.0) / 6.0
    shape = 4.0 / third**2
    threshold = shape + significance * np.sqrt(shape)
    tail = float(gammaincc(shape, threshold)) if third > 0 else float(ndtr(-significance))
    if tail <= 0.0:  # beyond double precision: far out either way
        return significance / (1.0 + abs(third) * significance / 3.0)
    return float(-ndtri(tail))


def path_length(cosines: FloatArray, usable: np.ndarray) -> float:
    """Length on the unit sphere of a path given by the cosines between neighbours, shape (G-1,).

    Steps from or to unusable grid points do not count.
    """
    on = usable[:-1] & usable[1:]
    return float(np.sum(np.arccos(np.clip(cosines[on], -1.0, 1.0))))


def search_p_value(score: float, length: float, pieces: int = 1) -> float:
    """Bound on the probability that the best score of a blank's search is as high as this one."""
    tail = length / (2.0 * np.pi) * float(np.exp(-0.5 * score * score))
    return float(min(1.0, pieces * float(ndtr(-score)) + tail))
