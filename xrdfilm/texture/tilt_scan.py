"""A χ scan and its signals at the tilts of c- and a-axis grains."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike

from xrdfilm._typing import FloatArray
from xrdfilm.crystal import Phase
from xrdfilm.errors import CannotTellError
from xrdfilm.intensity.optics import Optics, axial_half_base_rad
from xrdfilm.intensity.stack import Stack
from xrdfilm.texture.curve_features import saturated_top
from xrdfilm.texture.peakcurve import CurveFit, CurveModel, fit_curve
from xrdfilm.texture.tilt_model import DEFAULT_SPREAD_DEG, TiltGeometry, TiltModel, pole_groups

_SHOWS = 5.0  # standard uncertainties


@dataclass(frozen=True, slots=True)
class TiltScan:
    """A fitted χ scan: areas in counts·deg of χ at the tilts of c- and a-axis grains.

    ``level_counts`` is the mean height beneath the peaks; ``covariance`` (3, 3) belongs to
    (area c, area a, level). Widths are those of the grains' spread, the axial window taken off.
    """

    area_c: float
    area_a: float
    level_counts: float
    covariance: FloatArray
    centre_c_deg: float
    centre_a_deg: float
    fwhm_c_deg: float
    fwhm_a_deg: float
    reduced_chi_square: float
    fitted: FloatArray
    background: FloatArray
    range_deg: tuple[float, float]
    notes: tuple[str, ...] = field(default=())


def fit_tilt_scan(
    chi_deg: ArrayLike,
    counts: ArrayLike,
    phase: Phase,
    optics: Optics,
    stack: Stack,
    geometry: TiltGeometry,
    *,
    sigma: ArrayLike | None = None,
    layer_index: int = 0,
    axial_sigma: float = 0.10,
) -> TiltScan:
    """Signals of a χ scan at the tilts of c- and a-axis grains: (N,) ascending χ and counts.

    ``axial_sigma`` is the relative uncertainty of the axial acceptance; the scan itself narrows
    it where the grains' spread does not hide the window.

    Raises CannotTellError where the range misses either pole, no peak shows at either, or a top is
    saturated.
    """
    x, y = np.asarray(chi_deg, dtype=float), np.asarray(counts, dtype=float)
    if x.ndim != 1 or x.shape != y.shape or not np.all(np.diff(x) > 0.0):
        raise ValueError(f"need one ascending axis with its counts, found {x.shape}, {y.shape}")
    groups, _ = pole_groups(phase, optics, geometry)
    model = TiltModel(phase, optics, stack, layer_index, geometry, groups)
    tilt_c, tilt_a = model.mean_tilt("c_axis"), model.mean_tilt("a_axis")
    width = geometry.out_of_plane_fwhm_deg or DEFAULT_SPREAD_DEG
    margin = max(2.0, width)
    for tilt, what in ((tilt_c, "c-axis"), (tilt_a, "a-axis")):
        if not x[0] + 0.5 * margin <= tilt <= x[-1] - 0.5 * margin:
            raise CannotTellError(
                f"the tilt scan from {x[0]:.1f}° to {x[-1]:.1f}° misses the pole of {what} grains "
                f"at {tilt:.1f}°: the shares cannot be told; scan from {tilt_a - 2 * margin:.0f}° "
                f"to {tilt_c + 2 * margin:.0f}°"
            )
    if saturated_top(y):
        raise CannotTellError(
            f"the tilt scan has a flat top at {y.max():g} counts: the detector saturates; measure "
            "with an absorber or less beam"
        )
    spread = None if sigma is None else np.asarray(sigma, dtype=float)
    # χ sweeps the poles across the scattering plane, where the axial apertures make a window of
    # several degrees: a shape without its straight flanks takes them for level
    curve = CurveModel(
        (tilt_c, tilt_a),
        (0, 1),
        (0, 1),
        (width, width),
        max_fwhm_deg=15.0,
        lorentz=None,
        axial_half_base_deg=float(np.degrees(axial_half_base_rad(model.two_theta_deg, optics))),
        axial=optics.axial,
        axial_sigma=axial_sigma,
    )
    # a flat background, and what random grains add along their path
    rising = model.random_shape(x)
    shapes = np.column_stack([np.ones(x.size), rising / rising.mean()])
    fit = fit_curve(x, y, curve, sigma=spread, background=shapes)
    weak = [p.area_counts_deg < _SHOWS * p.area_sigma_counts_deg for p in fit.peaks]
    if all(weak):
        raise CannotTellError(
            f"the tilt scan shows no peak at {tilt_c:.1f}° nor at {tilt_a:.1f}°, where c- and "
            "a-axis grains have theirs: no share can be told; check that 2θ and azimuth meet the "
            "reflection, or count longer"
        )
    if any(weak):  # a peak that hardly shows takes place and width of the other
        strong = fit.peaks[1] if weak[0] else fit.peaks[0]
        shift = strong.centre_deg - (tilt_a if weak[0] else tilt_c)
        curve = replace(
            curve,
            start_deg=(tilt_c + shift, tilt_a + shift),
            width_group=(0, 0),
            centre_group=(0, 0),
            start_fwhm_deg=(strong.fwhm_deg, strong.fwhm_deg),
        )
        fit = fit_curve(x, y, curve, sigma=spread, background=shapes)
    peak_c, peak_a = fit.peaks
    found = []
    for peak, tilt, what in ((peak_c, tilt_c, "c-axis"), (peak_a, tilt_a, "a-axis")):
        if abs(peak.centre_deg - tilt) > 1.0 and peak.area_counts_deg > (
            10.0 * peak.area_sigma_counts_deg
        ):
            found.append(
                f"the {what} peak lies at χ = {peak.centre_deg:.1f}° instead of {tilt:.1f}°: the "
                "sample's normal is off the axis, or the template is tilted"
            )
    covariance = _with_level(fit)
    return TiltScan(
        area_c=peak_c.area_counts_deg,
        area_a=peak_a.area_counts_deg,
        level_counts=float(fit.background.mean()),
        covariance=covariance,
        centre_c_deg=peak_c.centre_deg,
        centre_a_deg=peak_a.centre_deg,
        fwhm_c_deg=peak_c.fwhm_deg,
        fwhm_a_deg=peak_a.fwhm_deg,
        reduced_chi_square=fit.reduced,
        fitted=fit.fitted,
        background=fit.background,
        range_deg=(float(x[0]), float(x[-1])),
        notes=tuple(found),
    )


def _with_level(fit: CurveFit) -> FloatArray:
    """Covariance (3, 3) of the two areas and the mean level."""
    total = fit.parameters.size
    gradient = np.zeros((3, total))
    gradient[0, total - 2] = gradient[1, total - 1] = 1.0
    gradient[2, : fit.model.background_degree + 1] = 1.0  # either shape has a mean of 1
    return np.asarray(gradient @ fit.covariance @ gradient.T)
