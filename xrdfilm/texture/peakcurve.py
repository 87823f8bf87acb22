"""Peaks on ω, φ and χ scans: pseudo-Voigt shapes folded with what the optics let in.

A scan of a tilt or an azimuth shows the grains' spread widened by what the optics let in: in the
scattering plane a box as wide as the divergence on the sample, across it the triangle of the
axial apertures. The fitted shape is the spread itself, folded with either in closed form, so the
width that comes out is the grains' own and its covariance is the fit's. Counts are fitted by
Poisson likelihood (least squares with weights from the fitted curve, again until they settle),
which has no bias at low counts; anything else by least squares with its stated sigma.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.optimize import least_squares

from xrdfilm._typing import BoolArray, FloatArray
from xrdfilm.intensity.optics import Axial
from xrdfilm.texture.curve_features import smoothed
from xrdfilm.texture.peakshape import axially_folded_peak, folded_peak, integral_breadth

_REWEIGHTINGS = 4


@dataclass(frozen=True, slots=True)
class CurvePeak:
    """One peak: position and FWHM in degrees, area in counts·deg, each with its sigma."""

    centre_deg: float
    centre_sigma_deg: float
    area_counts_deg: float
    area_sigma_counts_deg: float
    fwhm_deg: float
    fwhm_sigma_deg: float
    lorentz_fraction: float


@dataclass(frozen=True, slots=True)
class CurveModel:
    """What is fitted: which parameters the peaks have, and which they share.

    Parameters are ordered: background coefficients (powers of the axis scaled to −1..1), widths,
    Lorentz fraction, asymmetry and axial factor where they are fitted, shifts of the centres,
    areas.
    ``width_group`` and ``centre_group`` (K,) give the index of each peak's width and of its group
    of centres: peaks of a group keep the spacing of ``start_deg`` and shift together; group -1
    does not shift. ``lorentz`` fixes the Lorentz fraction of all peaks, None fits one for all.
    ``period_deg`` repeats every peak, as on a full circle. ``axial_half_base_deg`` above 0 folds
    with the axial window in place of the box; its width is fitted as a factor that is known
    beforehand to be 1 within ``axial_sigma``, and does not move where that is 0.
    """

    start_deg: tuple[float, ...]
    width_group: tuple[int, ...]
    centre_group: tuple[int, ...]
    start_fwhm_deg: tuple[float, ...]
    box_deg: float = 0.0
    background_degree: int = 1
    lorentz: float | None = None
    skewed: bool = False
    period_deg: float | None = None
    max_fwhm_deg: float | None = None
    axial_half_base_deg: float = 0.0
    axial: Axial = "apertures"
    axial_sigma: float = 0.0

    @property
    def fits_axial(self) -> bool:
        """Whether the width of the axial window is fitted."""
        return self.axial_half_base_deg > 0.0 and self.axial_sigma > 0.0


@dataclass(frozen=True, slots=True)
class CurveFit:
    """A fitted curve; ``covariance`` belongs to ``parameters``, widened where the fit is poor."""

    model: CurveModel
    parameters: FloatArray
    covariance: FloatArray
    peaks: tuple[CurvePeak, ...]
    area_covariance: FloatArray
    background: FloatArray
    background_sigma: FloatArray
    fitted: FloatArray
    chi_square: float
    dof: int
    asymmetry: float = 0.0
    asymmetry_sigma: float = 0.0
    shape_sigma: dict[str, float] = field(default_factory=dict)

    @property
    def reduced(self) -> float:
        """Chi-square a degree of freedom."""
        return self.chi_square / max(self.dof, 1)


@dataclass(frozen=True, slots=True)
class _Layout:
    background: slice
    widths: slice
    lorentz: int | None
    asymmetry: int | None
    axial: int | None
    shifts: slice
    areas: slice
    size: int


def _layout(model: CurveModel) -> _Layout:
    at = model.background_degree + 1
    background = slice(0, at)
    widths = slice(at, at + max(model.width_group) + 1)
    at = widths.stop
    lorentz = at if model.lorentz is None else None
    at += lorentz is not None
    asymmetry = at if model.skewed else None
    at += asymmetry is not None
    axial = at if model.fits_axial else None
    at += axial is not None
    shifts = slice(at, at + max(model.centre_group) + 1)
    areas = slice(shifts.stop, shifts.stop + len(model.start_deg))
    return _Layout(background, widths, lorentz, asymmetry, axial, shifts, areas, areas.stop)


@dataclass(frozen=True, slots=True)
class _Shape:
    """What sets the shapes of K peaks."""

    centre_deg: FloatArray
    fwhm_deg: FloatArray
    lorentz: float
    asymmetry: float
    axial: float


def _shape_of(model: CurveModel, lay: _Layout, p: FloatArray) -> _Shape:
    shifts = np.append(p[lay.shifts], 0.0)  # group -1 does not shift
    eta = model.lorentz if lay.lorentz is None else float(p[lay.lorentz])
    assert eta is not None
    return _Shape(
        np.array(model.start_deg) + shifts[list(model.centre_group)],
        p[lay.widths][list(model.width_group)],
        eta,
        0.0 if lay.asymmetry is None else float(p[lay.asymmetry]),
        1.0 if lay.axial is None else float(p[lay.axial]),
    )


def _shapes(x: FloatArray, model: CurveModel, shape: _Shape) -> FloatArray:
    """Unit-area peaks, shape (K, N)."""
    rows = np.zeros((len(model.start_deg), x.size))
    for row, centre, fwhm in zip(rows, shape.centre_deg, shape.fwhm_deg, strict=True):
        for image in _images(x, float(centre), model.period_deg):
            if model.axial_half_base_deg > 0.0:
                row += axially_folded_peak(
                    x,
                    float(centre) + image,
                    float(fwhm),
                    shape.lorentz,
                    half_base_deg=shape.axial * model.axial_half_base_deg,
                    axial=model.axial,
                )
                continue
            row += folded_peak(
                x,
                float(centre) + image,
                float(fwhm),
                shape.lorentz,
                box_deg=model.box_deg,
                asymmetry=shape.asymmetry,
            )
    return rows


def _gradient(
    x: FloatArray, model: CurveModel, lay: _Layout, basis: FloatArray, p: FloatArray
) -> FloatArray:
    """Derivatives of the curve by its parameters, shape (N, size); of shapes by differences."""
    shape = _shape_of(model, lay, p)
    base = _shapes(x, model, shape)
    areas = p[lay.areas]
    step = 1e-6 * float(shape.fwhm_deg.min())

    def weighed(moved: _Shape, by: float) -> FloatArray:
        return np.asarray((_shapes(x, model, moved) - base) * areas[:, None] / by)

    columns = np.zeros((x.size, lay.size))
    columns[:, lay.background] = basis
    columns[:, lay.areas] = base.T
    for part, groups, moved in (
        (lay.shifts, model.centre_group, replace(shape, centre_deg=shape.centre_deg + step)),
        (lay.widths, model.width_group, replace(shape, fwhm_deg=shape.fwhm_deg + step)),
    ):
        slopes = weighed(moved, step)
        for slope, group in zip(slopes, groups, strict=True):
            if group >= 0:
                columns[:, part.start + group] += slope
    if lay.lorentz is not None:
        moved = replace(shape, lorentz=shape.lorentz + 1e-6)
        columns[:, lay.lorentz] = weighed(moved, 1e-6).sum(axis=0)
    if lay.asymmetry is not None:
        moved = replace(shape, asymmetry=shape.asymmetry + 1e-6)
        columns[:, lay.asymmetry] = weighed(moved, 1e-6).sum(axis=0)
    if lay.axial is not None:
        moved = replace(shape, axial=shape.axial + 1e-5)
        columns[:, lay.axial] = weighed(moved, 1e-5).sum(axis=0)
    return columns


def _images(x: FloatArray, centre: float, period: float | None) -> list[float]:
    """The turns by which a peak is repeated so that its feet wrap around the ends."""
    if period is None:
        return [0.0]
    near = [-period, period]
    return [0.0] + [s for s in near if x[0] - period / 4 < centre + s < x[-1] + period / 4]


def _background_basis(x: FloatArray, degree: int) -> FloatArray:
    middle, half = 0.5 * (x[0] + x[-1]), 0.5 * (x[-1] - x[0])
    return np.vander((x - middle) / half, degree + 1, increasing=True)


def fit_curve(
    x_deg: FloatArray,
    counts: FloatArray,
    model: CurveModel,
    *,
    sigma: FloatArray | None = None,
    use: BoolArray | None = None,
    background: FloatArray | None = None,
) -> CurveFit:
    """Fit the model to a scan: ``x_deg`` ascending, ``counts`` (N,).

    Without ``sigma`` the counts are Poisson. ``use`` (N,) leaves points out. ``background``
    (N, background_degree + 1) replaces the powers of the axis by shapes of one's own. Areas may
    come out negative. Where chi-square a degree of freedom exceeds 1 it widens the covariance.
    """
    x = np.asarray(x_deg, dtype=float)
    y = np.asarray(counts, dtype=float)
    keep = np.ones(x.size, dtype=bool) if use is None else use
    lay = _layout(model)
    basis = _background_basis(x, model.background_degree) if background is None else background
    start, low, high = _start(x[keep], y[keep], basis[keep], model, lay)
    scale = np.maximum(np.abs(start), 1e-3)
    scale[lay.areas] = max(float(np.abs(start[lay.areas]).max()), 1.0)
    scale[lay.background] = max(float(np.abs(start[lay.background]).max()), 1.0)
    scale[lay.shifts] = np.array(model.start_fwhm_deg).max()

    def curve(p: FloatArray) -> FloatArray:
        peaks = _shapes(x, model, _shape_of(model, lay, p))
        return np.asarray(basis @ p[lay.background] + p[lay.areas] @ peaks)

    # what is known of a parameter beforehand counts as one more observation
    known = np.zeros((int(lay.axial is not None), lay.size))
    if lay.axial is not None:
        known[0, lay.axial] = 1.0 / model.axial_sigma
    p0 = start.copy()

    def best(p: FloatArray, spread: FloatArray) -> FloatArray:
        def residuals(q: FloatArray) -> FloatArray:
            counted = ((y - curve(q * scale)) / spread)[keep]
            return np.append(counted, known @ (p0 - q * scale))

        def slopes(q: FloatArray) -> FloatArray:
            gradient = _gradient(x, model, lay, basis, q * scale)
            counted = (-gradient * scale / spread[:, None])[keep]
            return np.vstack([counted, -known * scale])

        found = least_squares(
            residuals,
            p / scale,
            jac=slopes,
            bounds=(low / scale, high / scale),
            x_scale="jac",
            max_nfev=100,
        )
        return np.asarray(found.x * scale)

    if sigma is not None:
        spread = sigma
        p = best(start, spread)
    else:
        # weights from the curve that is fitted, not from the counts: the fixed point is the
        # Poisson likelihood's, and counts that came out low get no more say than others
        spread = np.sqrt(np.maximum(smoothed(y, 5.0), 1.0))
        p = best(start, spread)
        for _ in range(_REWEIGHTINGS):
            spread = np.sqrt(np.maximum(curve(p), 0.3))
            before, p = p, best(p, spread)
            if np.all(np.abs(p - before) < 1e-5 * scale):
                break
    fitted = curve(p)
    jacobian = _gradient(x, model, lay, basis, p)[keep]
    weighted = jacobian / spread[keep][:, None]
    information = weighted.T @ weighted + known.T @ known
    norm = np.sqrt(np.maximum(np.diag(information), 1e-300))
    covariance = np.linalg.pinv(information / np.outer(norm, norm), rcond=1e-12, hermitian=True)
    covariance /= np.outer(norm, norm)
    chi_square = float(np.sum(((y - fitted) / spread)[keep] ** 2))
    dof = int(keep.sum()) - lay.size
    covariance *= max(1.0, chi_square / max(dof, 1))
    return _collect(x, model, lay, basis, p, covariance, fitted, chi_square, dof)


def _collect(
    x: FloatArray,
    model: CurveModel,
    lay: _Layout,
    basis: FloatArray,
    p: FloatArray,
    covariance: FloatArray,
    fitted: FloatArray,
    chi_square: float,
    dof: int,
) -> CurveFit:
    errors = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    eta = _shape_of(model, lay, p).lorentz
    peaks = tuple(
        CurvePeak(
            centre_deg=float(start + (p[lay.shifts][group] if group >= 0 else 0.0)),
            centre_sigma_deg=float(errors[lay.shifts][group]) if group >= 0 else 0.0,
            area_counts_deg=float(p[lay.areas][i]),
            area_sigma_counts_deg=float(errors[lay.areas][i]),
            fwhm_deg=float(p[lay.widths][width]),
            fwhm_sigma_deg=float(errors[lay.widths][width]),
            lorentz_fraction=eta,
        )
        for i, (start, width, group) in enumerate(
            zip(model.start_deg, model.width_group, model.centre_group, strict=True)
        )
    )
    level_covariance = covariance[lay.background, lay.background]
    level_variance = np.einsum("ni,ij,nj->n", basis, level_covariance, basis)
    return CurveFit(
        model=model,
        parameters=p,
        covariance=covariance,
        peaks=peaks,
        area_covariance=covariance[lay.areas, lay.areas],
        background=basis @ p[lay.background],
        background_sigma=np.sqrt(np.maximum(level_variance, 0.0)),
        fitted=fitted,
        chi_square=chi_square,
        dof=dof,
        asymmetry=0.0 if lay.asymmetry is None else float(p[lay.asymmetry]),
        asymmetry_sigma=0.0 if lay.asymmetry is None else float(errors[lay.asymmetry]),
        shape_sigma={} if lay.lorentz is None else {"lorentz": float(errors[lay.lorentz])},
    )


def breadth_estimate(fit: CurveFit, peak: int = 0) -> tuple[float, float]:
    """Integral breadth of a peak and its standard uncertainty, degrees, instrument removed."""
    lay = _layout(fit.model)
    at = fit.peaks[peak]
    value = integral_breadth(at.fwhm_deg, at.lorentz_fraction)
    gradient = np.zeros(lay.size)
    gradient[lay.widths.start + fit.model.width_group[peak]] = value / at.fwhm_deg
    if lay.lorentz is not None:
        step = 1e-4 if at.lorentz_fraction < 0.5 else -1e-4
        other = integral_breadth(at.fwhm_deg, at.lorentz_fraction + step)
        gradient[lay.lorentz] = (other - value) / step
    variance = float(gradient @ fit.covariance @ gradient)
    return value, float(np.sqrt(max(variance, 0.0)))


def _start(
    x: FloatArray, y: FloatArray, basis: FloatArray, model: CurveModel, lay: _Layout
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Start and bounds: the linear part is solved at the starting shapes."""
    start = np.zeros(lay.size)
    low, high = np.full(lay.size, -np.inf), np.full(lay.size, np.inf)
    span = float(x[-1] - x[0])
    step = float(np.median(np.diff(x)))
    widths = np.zeros(lay.widths.stop - lay.widths.start)
    for group, width in zip(model.width_group, model.start_fwhm_deg, strict=True):
        widths[group] = max(widths[group], width)
    start[lay.widths] = widths
    low[lay.widths] = 0.05 * min(step, widths.min())
    high[lay.widths] = max(model.max_fwhm_deg or 2.0 * span, 1.01 * widths.max())
    if lay.lorentz is not None:
        # a little below zero, so that a Gaussian is not pushed off the bound by its noise
        start[lay.lorentz], low[lay.lorentz], high[lay.lorentz] = 0.1, -0.15, 1.0
    if lay.asymmetry is not None:
        low[lay.asymmetry], high[lay.asymmetry] = -0.9, 0.9
    if lay.axial is not None:
        start[lay.axial], low[lay.axial], high[lay.axial] = 1.0, 0.05, 5.0
    reach = 1.5 * widths.max()
    low[lay.shifts], high[lay.shifts] = -reach, reach
    columns = np.hstack([basis, _shapes(x, model, _shape_of(model, lay, start)).T])
    weight = 1.0 / np.sqrt(np.maximum(np.abs(y), 1.0))
    solved = np.linalg.lstsq(columns * weight[:, None], y * weight, rcond=None)[0]
    start[lay.background] = solved[: basis.shape[1]]
    start[lay.areas] = solved[basis.shape[1] :]
    return start, low, high
