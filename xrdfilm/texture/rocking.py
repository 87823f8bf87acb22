"""Rocking curves: how far grains tilt from the film normal, with the divergence taken off.

A rocking curve at fixed 2θ shows the tilts along one direction of the sample, folded with the
divergence that falls on it: 0.3° of mosaic shows as 0.52° behind a slit of 0.5°. On a tape the
beam meets few large grains, so the curve may fall into several peaks or lean to one side, and the
rolling direction (RD) differs from the transverse one (TD): each direction keeps its own result.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from xrdfilm._typing import FloatArray
from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import DEFAULT_LEVEL, Estimate, from_normal
from xrdfilm.texture.curve_features import (
    half_height_width,
    local_maxima,
    noise_sigma,
    saturated_top,
    smoothed,
)
from xrdfilm.texture.peakcurve import CurveFit, CurveModel, breadth_estimate, fit_curve
from xrdfilm.texture.peakshape import folded_peak

Direction = Literal["RD", "TD"]
Shape = Literal["single", "skewed", "several peaks"]

_CUT_ABOVE = 0.25  # of the height: an end of the scan this high leaves the width open
_FEW_POINTS = 9
_DIVERGENCE_SIGMA = 0.05  # relative uncertainty of a slit's opening; common practice, no source
_SKEW_TOLD = 0.05
_MOST_PEAKS = 8
_MOST_UNLIKE = 0.2  # share of a curve's variance that may be left over by its peak


@dataclass(frozen=True, slots=True)
class RockingPeak:
    """One of several peaks: centre, own FWHM (divergence removed) and share of the area."""

    centre_deg: float
    fwhm_deg: float
    area_share: float


@dataclass(frozen=True, slots=True)
class RockingCurve:
    """Width of a rocking curve and what its shape tells.

    ``fwhm_deg`` is the mosaic: full width at half maximum of the tilts, divergence removed (for
    several peaks the width between the outermost half heights). ``measured_fwhm_deg`` is what the
    curve itself shows. ``integral_breadth_deg`` is area over height of the tilts' distribution.
    ``spread_fwhm_deg`` is 2.3548 times the root mean square tilt where the curve has several
    peaks, else the same as ``fwhm_deg``: the width that stands for the grains in a window model.
    ``asymmetry`` is (right − left)/(right + left) of the half widths.
    """

    fwhm_deg: Estimate
    integral_breadth_deg: Estimate
    measured_fwhm_deg: float | None
    spread_fwhm_deg: Estimate
    centre_deg: float
    shape: Shape
    peaks: tuple[RockingPeak, ...]
    asymmetry: float
    asymmetry_sigma: float
    area_counts_deg: float
    area_sigma_counts_deg: float
    divergence_deg: float
    direction: Direction | None
    reduced_chi_square: float
    notes: tuple[str, ...]
    fitted: FloatArray


def rocking_curve(
    omega_deg: ArrayLike,
    counts: ArrayLike,
    *,
    divergence_deg: float = 0.0,
    sigma: ArrayLike | None = None,
    poisson: bool = True,
    direction: Direction | None = None,
    level: float = DEFAULT_LEVEL,
) -> RockingCurve:
    """Width of a rocking curve: ``omega_deg`` ascending and ``counts``, both (N,).

    ``divergence_deg`` is what falls on the sample
    (`xrdfilm.intensity.optics.divergence_on_sample_rad`); 0 for a parallel beam. Without ``sigma``
    counts are Poisson, or, where ``poisson`` is False, the noise is read off the curve. Raises
    CannotTellError for a curve cut at one side, a saturated top, or one that shows no peak.
    """
    x, y = np.asarray(omega_deg, dtype=float), np.asarray(counts, dtype=float)
    spread = _noise(y, sigma, poisson)
    _check(x, y)
    noise = spread if spread is not None else np.sqrt(np.maximum(y, 1.0))
    start = _first_guess(x, y)
    model = CurveModel((start[0],), (0,), (0,), (start[1],), box_deg=divergence_deg)
    fit = fit_curve(x, y, model, sigma=spread)

    notes: list[str] = []
    points_in_peak = max(3.0, fit.peaks[0].fwhm_deg / float(np.median(np.diff(x))))
    tops = [] if fit.reduced < 1.2 else local_maxima(y, noise, max(2.0, points_in_peak / 8.0))
    if len(tops) > 1:
        several = _several(x, y, spread, tops[:_MOST_PEAKS], divergence_deg, fit.peaks[0].fwhm_deg)
        if several is not None and several.reduced < fit.reduced:
            _check_shape(y, several)
            return _several_result(x, y, several, divergence_deg, direction, level)
    _check_ends(x, y, noise, fit)
    _check_shape(y, fit)
    skewed = fit_curve(x, y, replace(model, skewed=True), sigma=spread)
    asymmetry, asymmetry_sigma = skewed.asymmetry, skewed.asymmetry_sigma
    shape: Shape = "single"
    if abs(asymmetry) > max(_SKEW_TOLD, 4.0 * asymmetry_sigma):
        shape, fit = "skewed", skewed
        side = "higher" if asymmetry > 0 else "lower"
        notes.append(
            f"the curve leans to {side} angles (asymmetry {asymmetry:+.2f} ± "
            f"{asymmetry_sigma:.2f}): grains of unlike tilt, or a steep background"
        )
    if fit.reduced > 2.0:
        notes.append(
            f"the fitted shape misses the curve (chi-square a degree of freedom "
            f"{fit.reduced:.1f}); the interval is widened for it"
        )
    peak = fit.peaks[0]
    fwhm = _width(x, y, spread, fit, divergence_deg, level)
    if fwhm.value is None and fwhm.high is not None:
        notes.append(
            f"the divergence of {divergence_deg:g}° explains the whole width: the mosaic is under "
            f"{fwhm.high:.3f}°"
        )
    breadth, breadth_sigma = breadth_estimate(fit)
    ratio = breadth / peak.fwhm_deg
    breadth_bound = (0.0, None)
    return RockingCurve(
        fwhm_deg=fwhm,
        integral_breadth_deg=Estimate(
            None, 0.0, (fwhm.high or 0.0) * ratio, level, breadth, breadth_sigma
        )
        if fwhm.value is None
        else from_normal(breadth, breadth_sigma, level=level, bounds=breadth_bound),
        measured_fwhm_deg=half_height_width(x, fit.fitted, fit.background),
        spread_fwhm_deg=fwhm,
        centre_deg=peak.centre_deg,
        shape=shape,
        peaks=(RockingPeak(peak.centre_deg, peak.fwhm_deg, 1.0),),
        asymmetry=asymmetry,
        asymmetry_sigma=asymmetry_sigma,
        area_counts_deg=peak.area_counts_deg,
        area_sigma_counts_deg=peak.area_sigma_counts_deg,
        divergence_deg=divergence_deg,
        direction=direction,
        reduced_chi_square=fit.reduced,
        notes=tuple(notes),
        fitted=fit.fitted,
    )


def _noise(y: FloatArray, sigma: ArrayLike | None, poisson: bool) -> FloatArray | None:
    """Sigma of each point, or None for Poisson counts."""
    if sigma is not None:
        return np.asarray(sigma, dtype=float)
    if poisson and not np.any(y < 0.0):
        return None
    return np.full(y.size, max(noise_sigma(y), 1e-12))


def _check(x: FloatArray, y: FloatArray) -> None:
    if x.ndim != 1 or x.shape != y.shape or not np.all(np.diff(x) > 0.0):
        raise ValueError(f"need one ascending axis with its counts, found {x.shape}, {y.shape}")
    if not (np.all(np.isfinite(x)) and np.all(np.isfinite(y))):
        raise ValueError("axis and counts must be finite")
    if x.size < _FEW_POINTS:
        raise CannotTellError(f"{x.size} points are too few for the width of a rocking curve")
    if saturated_top(y):
        raise CannotTellError(
            f"the rocking curve has a flat top at {y.max():g} counts: the detector saturates, so "
            "height and width are both wrong; measure with an absorber or less beam"
        )


def _first_guess(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Centre and FWHM of the curve above its lower end."""
    net = y - float(np.quantile(y, 0.1))
    top = int(np.argmax(np.convolve(net, np.ones(3) / 3.0, mode="same")))
    width = float(np.sum(np.maximum(net, 0.0)) * np.median(np.diff(x)) / max(net[top], 1e-12))
    return float(x[top]), float(np.clip(0.9 * width, 2.0 * np.median(np.diff(x)), x[-1] - x[0]))


def _check_ends(x: FloatArray, y: FloatArray, noise: FloatArray, fit: CurveFit) -> None:
    """Refuse a curve that shows no peak, or does not come down on both sides."""
    peak = fit.peaks[0]
    edge = max(1, x.size // 40)
    ends = np.array([y[:edge].mean(), y[-edge:].mean()])
    smooth = smoothed(y, max(3.0, x.size / 30.0))
    at, top = float(x[int(np.argmax(smooth))]), float(smooth.max())
    floor = min(float(ends.min()), float(smooth.min()))
    rises = top - floor > 6.0 * float(np.median(noise)) / np.sqrt(x.size / 30.0)
    certain = peak.area_counts_deg > 4.0 * peak.area_sigma_counts_deg
    if not certain and not rises:
        raise CannotTellError(
            f"the rocking curve shows no peak above its noise (highest {top:.3g} over "
            f"{floor:.3g} counts); count longer, or look for the line with a coupled scan"
        )
    # the counts: one end stands much higher above the other than a sloping background does;
    # the fit: the peak itself still stands high at an end
    high_ends = (ends - floor) / max(top - floor, 1e-12) > _CUT_ABOVE
    shape = fit.fitted - fit.background
    tails = shape[[0, -1]] / max(float(shape.max()), 1e-12)
    cut = (high_ends & (tails > 0.05)) | (tails > _CUT_ABOVE)
    cut |= np.array([peak.centre_deg <= x[0], peak.centre_deg >= x[-1]])
    if cut.any() or not certain:
        side = (
            "both sides"
            if cut.all() or not cut.any()
            else ("the low side", "the high side")[int(cut[1])]
        )
        raise CannotTellError(
            f"the rocking curve is cut at {side}: its top is at {at:.2f}° and the scan from "
            f"{x[0]:.2f}° to {x[-1]:.2f}° ends before the curve has come down, so neither width "
            "nor background can be told; scan further"
        )


def _check_shape(y: FloatArray, fit: CurveFit) -> None:
    """Refuse counts that no peak accounts for: another scan was named as a rocking curve."""
    left = float(np.sum(np.square(y - fit.fitted)))
    whole = float(np.sum(np.square(y - y.mean())))
    if fit.reduced > 2.0 and left > _MOST_UNLIKE * whole:
        raise CannotTellError(
            f"the curve is no rocking curve: a peak accounts for {1.0 - left / whole:.0%} of its "
            "rise and fall only; check that the file is the rocking scan of this reflection"
        )


def _width(
    x: FloatArray,
    y: FloatArray,
    spread: FloatArray | None,
    fit: CurveFit,
    box_deg: float,
    level: float,
) -> Estimate:
    """The mosaic with its interval; a one-sided limit where the divergence explains the width."""
    peak = fit.peaks[0]
    divergence = 0.0
    if box_deg > 0.0:
        # variances add, so a box too wide by a part p takes 2p·box²/12 too much off the variance
        lost = _DIVERGENCE_SIGMA * box_deg**2 / 6.0 * (2.3548**2) / 2.0
        divergence = lost / max(peak.fwhm_deg, 0.2 * box_deg)
    sigma = float(np.hypot(peak.fwhm_sigma_deg, divergence))
    sources = {"counting": peak.fwhm_sigma_deg, "divergence": divergence}
    if peak.fwhm_deg > 2.5 * sigma:
        return from_normal(peak.fwhm_deg, sigma, level=level, bounds=(0.0, None), sources=sources)
    limit = _upper_limit(x, y, spread, fit, level)
    return Estimate(None, 0.0, limit + 1.6449 * divergence, level, peak.fwhm_deg, sigma, sources)


def _upper_limit(
    x: FloatArray, y: FloatArray, spread: FloatArray | None, fit: CurveFit, level: float
) -> float:
    """Largest width the data allow, from the profile of chi-square (one-sided)."""
    from scipy.special import ndtri

    weight = 1.0 / (spread if spread is not None else np.sqrt(np.maximum(fit.fitted, 0.3)))
    basis = np.vander(x - x.mean(), fit.model.background_degree + 1)
    peak = fit.peaks[0]
    base = float(np.sum((weight * (y - fit.fitted)) ** 2))
    allowed = base + float(ndtri(level)) ** 2 * max(1.0, fit.reduced)

    def misfit(width: float) -> float:
        shape = folded_peak(
            x, peak.centre_deg, width, peak.lorentz_fraction, box_deg=fit.model.box_deg
        )
        columns = np.column_stack([basis, shape]) * weight[:, None]
        solved = np.linalg.lstsq(columns, y * weight, rcond=None)[0]
        return float(np.sum((y * weight - columns @ solved) ** 2))

    low, high = peak.fwhm_deg, float(x[-1] - x[0])
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if misfit(middle) < allowed else (low, middle)
    return high


def _several(
    x: FloatArray,
    y: FloatArray,
    spread: FloatArray | None,
    tops: list[int],
    box_deg: float,
    envelope_deg: float,
) -> CurveFit | None:
    """Fit of a peak at each top; tops that carry no area of their own are dropped."""
    places = sorted(float(x[i]) for i in tops)
    while len(places) > 1:
        width = float(min(envelope_deg, 0.7 * float(np.diff(places).min())))
        each = tuple(range(len(places)))
        model = CurveModel(
            tuple(places),
            each,
            each,
            (width,) * len(places),
            box_deg=box_deg,
            max_fwhm_deg=1.2 * envelope_deg,
        )
        fit = fit_curve(x, y, model, sigma=spread)
        strength = [p.area_counts_deg / max(p.area_sigma_counts_deg, 1e-12) for p in fit.peaks]
        if min(strength) > 4.0:
            return fit
        del places[int(np.argmin(strength))]
    return None


def _several_result(
    x: FloatArray,
    y: FloatArray,
    fit: CurveFit,
    box_deg: float,
    direction: Direction | None,
    level: float,
) -> RockingCurve:
    areas = np.array([p.area_counts_deg for p in fit.peaks])
    total = float(areas.sum())
    shown = half_height_width(x, fit.fitted, fit.background)
    if shown is None:
        raise CannotTellError(
            "the rocking curve has several peaks and does not come down to half its height on "
            "both sides; scan further"
        )
    # the fit of overlapping peaks trades areas; the envelope between half heights does not
    variance = float(fit.area_covariance.sum())
    relative = np.sqrt(max(variance, 0.0)) / total
    fwhm = float(np.sqrt(max(shown**2 - (box_deg * 0.8) ** 2, (0.1 * shown) ** 2)))
    centres = np.array([p.centre_deg for p in fit.peaks])
    widths = np.array([p.fwhm_deg for p in fit.peaks])
    share = np.maximum(areas, 0.0) / np.maximum(areas, 0.0).sum()
    middle = float(share @ centres)
    rms = float(np.sqrt(share @ ((centres - middle) ** 2 + (widths / 2.3548) ** 2)))
    net = fit.fitted - fit.background
    edge_sigma = float(np.mean([p.fwhm_sigma_deg + p.centre_sigma_deg for p in fit.peaks]))
    sigma = float(np.hypot(edge_sigma, relative * fwhm))
    # one grain more or less under the beam moves the envelope by its share
    sampling = fwhm / np.sqrt(2.0 * len(fit.peaks))
    sources = {"counting": sigma, "few grains": float(sampling)}
    spread_deg = 2.3548 * rms
    spread_sigma = spread_deg / fwhm * float(np.hypot(sigma, sampling))
    breadth = float(np.trapezoid(net, x) / net.max())
    strongest = int(np.argmax(areas))
    text = ", ".join(f"{p.centre_deg:.2f}°" for p in fit.peaks)
    note = (
        f"{len(fit.peaks)} peaks at {text}: few large grains under the beam, not a mosaic; the "
        "width is that of the envelope and would change with the place measured"
    )
    return RockingCurve(
        fwhm_deg=from_normal(fwhm, sigma, level=level, bounds=(0.0, None)),
        integral_breadth_deg=from_normal(
            breadth, sigma * breadth / fwhm, level=level, bounds=(0.0, None)
        ),
        measured_fwhm_deg=shown,
        spread_fwhm_deg=from_normal(
            spread_deg, spread_sigma, level=level, bounds=(0.0, None), sources=sources
        ),
        centre_deg=float(centres[strongest]),
        shape="several peaks",
        peaks=tuple(
            RockingPeak(p.centre_deg, p.fwhm_deg, float(s))
            for p, s in zip(fit.peaks, share, strict=True)
        ),
        asymmetry=0.0,
        asymmetry_sigma=0.0,
        area_counts_deg=total,
        area_sigma_counts_deg=float(np.sqrt(max(variance, 0.0))),
        divergence_deg=box_deg,
        direction=direction,
        reduced_chi_square=fit.reduced,
        notes=(note,),
        fitted=fit.fitted,
    )
