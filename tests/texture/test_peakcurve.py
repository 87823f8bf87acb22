from __future__ import annotations

import numpy as np
import pytest

from xrdfilm.texture.peakcurve import CurveModel, breadth_estimate, fit_curve
from xrdfilm.texture.peakshape import FWHM_PER_SIGMA, folded_peak, integral_breadth


def test_fit_is_unbiased_at_low_counts_and_its_sigma_is_the_scatter():
    rng = np.random.default_rng(4)
    x = np.arange(-4.0, 4.01, 0.1)
    model = CurveModel((0.0,), (0,), (0,), (1.2,), box_deg=0.5, lorentz=0.0)
    truth = 2.0 + 30.0 * folded_peak(x, 0.1, 1.0, 0.0, box_deg=0.5)
    fits = [fit_curve(x, rng.poisson(truth).astype(float), model) for _ in range(150)]
    area = np.array([f.peaks[0].area_counts_deg for f in fits])
    width = np.array([f.peaks[0].fwhm_deg for f in fits])
    sigma = np.mean([f.peaks[0].area_sigma_counts_deg for f in fits])
    assert area.mean() == pytest.approx(30.0, abs=4 * area.std() / 150**0.5)
    assert area.std() == pytest.approx(sigma, rel=0.2)
    assert width.std() == pytest.approx(np.mean([f.peaks[0].fwhm_sigma_deg for f in fits]), rel=0.2)


def test_breadth_carries_the_covariance_of_width_and_mixing():
    rng = np.random.default_rng(5)
    x = np.arange(-6.0, 6.01, 0.1)
    truth = 20.0 + 2000.0 * folded_peak(x, 0.0, 1.0, 0.5)
    model = CurveModel((0.0,), (0,), (0,), (1.0,))
    found = [breadth_estimate(fit_curve(x, rng.poisson(truth) * 1.0, model)) for _ in range(80)]
    values = np.array([b for b, _ in found])
    assert values.mean() == pytest.approx(integral_breadth(1.0, 0.5), rel=0.01)
    assert values.std() == pytest.approx(np.mean([s for _, s in found]), rel=0.3)


def test_peaks_of_a_group_keep_their_distance_and_held_ones_their_place():
    x = np.arange(0.0, 40.0, 0.1)
    truth = 5.0 + 400 * folded_peak(x, 10.3, 1.0, 0.0) + 200 * folded_peak(x, 20.3, 1.0, 0.0)
    model = CurveModel((10.0, 20.0, 30.0), (0, 0, 0), (0, 0, -1), (1.0,) * 3, lorentz=0.0)
    fit = fit_curve(x, truth, model)
    centres = [p.centre_deg for p in fit.peaks]
    assert centres == pytest.approx([10.3, 20.3, 30.0], abs=1e-3)
    assert fit.peaks[2].centre_sigma_deg == 0.0
    assert fit.peaks[2].area_counts_deg == pytest.approx(0.0, abs=0.5)


def test_a_full_turn_wraps_the_feet_of_a_peak_at_its_end():
    x = np.arange(0.0, 360.0, 1.0)
    truth = 10.0 + sum(900 * folded_peak(x, c, 6.0, 0.0) for c in (0.5, 360.5))
    model = CurveModel((0.0,), (0,), (0,), (5.0,), lorentz=0.0, period_deg=360.0)
    fit = fit_curve(x, truth, model)
    assert fit.peaks[0].area_counts_deg == pytest.approx(900.0, rel=1e-3)


def test_poor_fit_widens_its_uncertainty():
    rng = np.random.default_rng(6)
    x = np.arange(-4.0, 4.01, 0.1)
    model = CurveModel((0.0,), (0,), (0,), (1.0,), lorentz=0.0)
    clean = 5.0 + 800 * folded_peak(x, 0.0, 1.0, 0.0)
    bumpy = clean + 500 * folded_peak(x, 1.5, 0.5, 0.0)
    good = fit_curve(x, rng.poisson(clean) * 1.0, model)
    poor = fit_curve(x, rng.poisson(bumpy) * 1.0, model)
    assert good.reduced < 1.5 < 5.0 < poor.reduced
    assert poor.peaks[0].fwhm_sigma_deg > 2.0 * good.peaks[0].fwhm_sigma_deg


def test_an_axial_window_known_within_bounds_is_found_with_the_level_beneath():
    rng = np.random.default_rng(3)
    x = np.arange(20.0, 70.0, 0.25)
    window = np.maximum(0.0, 1.0 - np.abs(np.arange(-6.0, 6.01, 0.01)) / 5.3)
    grains = 0.9 / FWHM_PER_SIGMA
    fine = np.arange(10.0, 80.0, 0.01)
    peak = np.exp(-0.5 * ((fine - 57.0) / grains) ** 2)
    shown = np.convolve(peak, window, "same")
    mean = 2e4 * np.interp(x, fine, shown / shown.max()) + 150.0
    model = CurveModel(
        (56.8,), (0,), (0,), (1.0,), background_degree=0, axial_half_base_deg=4.8, axial_sigma=0.1
    )
    fit = fit_curve(x, rng.poisson(mean).astype(float), model)
    assert fit.reduced < 1.3
    assert fit.peaks[0].fwhm_deg == pytest.approx(0.9, abs=4 * fit.peaks[0].fwhm_sigma_deg)
    assert fit.background[0] == pytest.approx(150.0, abs=4 * fit.background_sigma[0])
    assert fit.background_sigma[0] < 3.0
    assert fit.parameters[-3] * 4.8 == pytest.approx(5.3, rel=0.005)
