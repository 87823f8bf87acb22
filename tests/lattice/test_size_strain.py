import numpy as np
import pytest
from scipy.integrate import quad

from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import Estimate
from xrdfilm.lattice.breadth import (
    InstrumentCurve,
    SampleBreadth,
    fit_instrument_curve,
    sample_breadth,
    voigt_fwhm,
    voigt_parts,
)
from xrdfilm.lattice.size_strain import scherrer, thickness_notes, williamson_hall

WAVELENGTH = 1.5405929


def test_scherrer_worked_examples() -> None:
    # Exercise "The Scherrer Equation", studylib.net/doc/5890170: 0.5° at 2θ = 27°, 0.154 nm,
    # K = 0.9 gives 16.3 nm
    found = scherrer(0.5, 0.001, 27.0, 1.54, k=0.9, definition="fwhm")
    assert found.size_nm.value == pytest.approx(16.3, abs=0.05)
    assert "K = 0.9 on the FWHM" in found.notes
    # B. D. Cullity, Elements of X-Ray Diffraction, section 3-7 (from memory): λ = 1.5 Å, θ = 49°,
    # a crystal of 500 Å makes a breadth of about 4·10⁻³ rad
    found = scherrer(np.degrees(4e-3), 1e-4, 98.0, 1.5, k=0.9, definition="fwhm")
    assert found.size_nm.value == pytest.approx(50.0, rel=0.05)


def test_scherrer_constants_against_the_interference_function() -> None:
    # N planes of spacing d at the exact Bragg angle: sin²(Nx)/sin²x, x = 2π d sinθ/λ
    d, planes = 3.9, 60
    theta0 = np.arcsin(WAVELENGTH / (2 * d))

    def intensity(two_theta: float) -> float:
        x = 2 * np.pi * d * np.sin(np.radians(two_theta) / 2) / WAVELENGTH
        return float((np.sin(planes * x) / np.sin(x)) ** 2)

    centre = float(np.degrees(2 * theta0)) + 1e-7
    top = intensity(centre)
    area = quad(intensity, centre - 20, centre + 20, limit=2000)[0]
    # outside ±20° the tails add 2·20° times their mean of ½/sin² < 0.2 %
    size = planes * d / 10
    by_integral = scherrer(area / top, 1e-6, centre, WAVELENGTH)
    assert by_integral.size_nm.value == pytest.approx(size, rel=0.02)
    grid = np.linspace(centre - 0.5, centre + 0.5, 40001)
    above = grid[[intensity(x) > top / 2 for x in grid]]
    by_fwhm = scherrer(above[-1] - above[0], 1e-6, centre, WAVELENGTH, definition="fwhm")
    assert by_fwhm.size_nm.value == pytest.approx(size, rel=0.005)


def test_size_that_cannot_be_told_is_a_lower_limit() -> None:
    found = scherrer(0.004, 0.005, 38.5, WAVELENGTH).size_nm
    assert found.value is None
    assert found.high is None
    assert found.low is not None
    assert found.low > 500.0


def broadened(
    angle: np.ndarray, size_nm: float, strain: float, curve: InstrumentCurve
) -> tuple[np.ndarray, np.ndarray]:
    """FWHM and Lorentz fraction of lines with Lorentzian size and strain; integral breadths add."""
    theta = np.radians(angle) / 2
    beta = np.degrees(WAVELENGTH / (10 * size_nm * np.cos(theta)) + 4 * strain * np.tan(theta))
    gauss, lorentz = voigt_parts(curve.fwhm_deg(angle), curve.lorentz_fraction(angle))
    total = lorentz + beta / (np.pi / 2)
    fwhm = voigt_fwhm(gauss, total)
    eta = np.array([_eta(one, two) for one, two in zip(gauss, total, strict=True)])
    return fwhm, eta


def _eta(gauss: float, lorentz: float) -> float:
    ratio = lorentz / float(voigt_fwhm(np.array(gauss), np.array(lorentz)))
    return float(1.36603 * ratio - 0.47719 * ratio**2 + 0.11116 * ratio**3)


def test_williamson_hall_recovers_size_and_strain() -> None:
    rng = np.random.default_rng(1)
    angles = np.linspace(20.0, 110.0, 12)
    tan = np.tan(np.radians(angles) / 2)
    width = np.sqrt(0.0055 * tan**2 - 0.0045 * tan + 0.006)
    curve = fit_instrument_curve(angles, width + rng.normal(0, 0.0005, 12), np.full(12, 0.0005))
    angle = np.array([15.2, 30.6, 38.5, 46.7, 55.0, 82.2])
    inside_size = inside_strain = 0
    runs = 150
    for _ in range(runs):
        size, strain = rng.uniform(20, 60), rng.uniform(5e-4, 3e-3)
        fwhm, eta = broadened(angle, size, strain, curve)
        sigma = 0.01 * fwhm
        lines = [
            sample_breadth(a, f, s, e, curve, lorentz_fraction_sigma=0.0)
            for a, f, s, e in zip(angle, fwhm + rng.normal(0, sigma), sigma, eta, strict=True)
        ]
        found = williamson_hall(lines, WAVELENGTH, k_sigma=0.0)
        low, high = found.size_nm.low, found.size_nm.high
        assert low is not None
        inside_size += low <= size <= (np.inf if high is None else high)
        low, high = found.microstrain.low, found.microstrain.high
        assert low is not None
        assert high is not None
        inside_strain += low <= strain <= high
    # the mixing is held at its true value here; the instrument curve's error is in each interval
    assert 0.90 <= inside_size / runs <= 0.995
    assert 0.90 <= inside_strain / runs <= 0.995


def test_williamson_hall_axes_of_a_worked_example() -> None:
    # askfilo.com, "Basic Williamson-Hall plot construction": breadths 0.005, 0.006, 0.008 rad at
    # θ = 30, 45, 60° are plotted at (2, 0.00433), (2.8284, 0.00424), (3.4641, 0.004)
    lines = [
        SampleBreadth(2 * theta, float(np.degrees(b)), 0.001, 0.0, 0.0, True)
        for theta, b in ((30, 0.005), (45, 0.006), (60, 0.008))
    ]
    found = williamson_hall(lines, WAVELENGTH)
    assert found.abscissa == pytest.approx([2.0, 2.8284, 3.4641], abs=1e-4)
    assert found.ordinate == pytest.approx([0.00433, 0.00424, 0.004], abs=5e-6)
    # its slope is negative: no strain can be told, and none is claimed
    assert found.microstrain.value is None
    assert found.microstrain.low == 0.0


def test_williamson_hall_in_squares() -> None:
    theta = np.radians([20.0, 40.0, 60.0, 80.0, 100.0]) / 2
    size, strain = 40.0, 0.002
    beta = np.hypot(WAVELENGTH / (10 * size * np.cos(theta)), 4 * strain * np.tan(theta))
    lines = [
        SampleBreadth(float(np.degrees(2 * t)), float(np.degrees(b)), 1e-4, 0.0, 0.0, True)
        for t, b in zip(theta, beta, strict=True)
    ]
    found = williamson_hall(lines, WAVELENGTH, combination="squares")
    assert found.size_nm.value == pytest.approx(size, rel=1e-3)
    assert found.microstrain.value == pytest.approx(strain, rel=1e-3)
    assert found.degrees_of_freedom == 3


def test_lines_off_the_straight_line_widen_and_tell() -> None:
    lines = [
        SampleBreadth(a, b, 0.001, 0.0, 0.0, True)
        for a, b in ((20.0, 0.2), (40.0, 0.4), (60.0, 0.2), (80.0, 0.45))
    ]
    found = williamson_hall(lines, WAVELENGTH)
    assert any("not lie on one straight line" in note for note in found.notes)
    with pytest.raises(CannotTellError, match="at least two"):
        williamson_hall(lines[:1], WAVELENGTH)


def test_size_beside_the_thickness() -> None:
    size = Estimate(190.0, 150.0, 260.0)
    assert "is the thickness, no grain size" in thickness_notes(size, 200.0)[0]
    assert "below the film's thickness" in thickness_notes(size, 800.0)[0]
    assert "which it cannot" in thickness_notes(size, 100.0)[0]
    assert thickness_notes(size, None) == []
