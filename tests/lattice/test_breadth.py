import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import voigt_profile

from xrdfilm.errors import CannotTellError
from xrdfilm.lattice.breadth import (
    InstrumentCurve,
    fit_instrument_curve,
    sample_breadth,
    voigt_fwhm,
    voigt_integral_breadth,
    voigt_parts,
)

WAVELENGTH = 1.5405929


@pytest.mark.parametrize("eta", [0.0, 0.25, 0.5, 0.8, 1.0])
def test_voigt_parts_turn_back(eta: float) -> None:
    gauss, lorentz = voigt_parts(0.2, eta)
    assert voigt_fwhm(gauss, lorentz) == pytest.approx(0.2, rel=2e-3)
    # the pseudo-Voigt's own integral breadth, within what a pseudo-Voigt stands for
    pseudo = 1.0 / ((1 - eta) * 2 * np.sqrt(np.log(2) / np.pi) / 0.2 + eta * 2 / np.pi / 0.2)
    assert voigt_integral_breadth(gauss, lorentz) == pytest.approx(pseudo, rel=5e-3)


def test_voigt_integral_breadth_by_integration() -> None:
    gauss, lorentz = 0.11, 0.07
    sigma, gamma = gauss / (2 * np.sqrt(2 * np.log(2))), lorentz / 2
    area = quad(lambda x: voigt_profile(x, sigma, gamma), -np.inf, np.inf)[0]
    expected = area / voigt_profile(0.0, sigma, gamma)
    assert voigt_integral_breadth(gauss, lorentz) == pytest.approx(expected, rel=1e-6)
    # FWHM to integral breadth: 1.0645 for a Gaussian, π/2 for a Lorentzian
    assert voigt_integral_breadth(1.0, 0.0) == pytest.approx(1.0645, abs=1e-4)
    assert voigt_integral_breadth(0.0, 1.0) == pytest.approx(np.pi / 2)


def standard(u: float, v: float, w: float, rng: np.random.Generator) -> InstrumentCurve:
    angle = np.linspace(20.0, 120.0, 14)
    t = np.tan(np.radians(angle) / 2)
    width = np.sqrt(u * t**2 + v * t + w)
    sigma = 0.01 * width
    return fit_instrument_curve(angle, width + rng.normal(0, sigma), sigma, 0.4)


def test_caglioti_curve_recovered_within_its_uncertainty() -> None:
    true = np.array([0.0055, -0.0045, 0.006])
    rng = np.random.default_rng(8)
    distances = []
    for _ in range(200):
        curve = standard(*true, rng)
        assert curve.form == "caglioti"
        error = curve.coefficients - true
        distances.append(error @ np.linalg.solve(curve.covariance, error))
    # chi-square of 3: standard error of the mean of 200 is 0.17; a few widened fits allowed
    assert np.mean(distances) == pytest.approx(3.0, abs=0.6)
    assert curve.lorentz_fraction(50.0) == pytest.approx(0.4)
    assert curve.covers(18.0)
    assert not curve.covers(140.0)


def test_smooth_curve_where_caglioti_does_not_fit() -> None:
    angle = np.linspace(15.0, 120.0, 16)
    width = np.sqrt(0.01 - 0.004 * angle / 100 + 0.006 * (angle / 100) ** 2)
    curve = fit_instrument_curve(angle, width, np.full(16, 1e-4), 0.5)
    assert curve.form == "smooth"
    assert curve.fwhm_deg(angle) == pytest.approx(width, abs=2e-4)
    with pytest.raises(CannotTellError, match="at least 4"):
        fit_instrument_curve(angle[:3], width[:3], np.full(3, 1e-4))


def test_unbroadened_lines_average_to_nothing() -> None:
    rng = np.random.default_rng(3)
    curve = standard(0.0055, -0.0045, 0.006, rng)
    width = float(curve.fwhm_deg(40.0))
    drawn = [
        sample_breadth(40.0, width + float(rng.normal(0, 0.002)), 0.002, 0.4, curve)
        for _ in range(300)
    ]
    assert sum(b.resolved for b in drawn) < 40
    assert abs(np.mean([b.integral_deg for b in drawn])) < 0.01
