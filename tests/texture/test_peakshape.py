from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from xrdfilm.intensity.window import axial_window
from xrdfilm.texture.peakshape import axially_folded_peak, folded_peak, integral_breadth


@pytest.mark.parametrize("lorentz", [0.0, 0.4, 1.0])
@pytest.mark.parametrize("asymmetry", [0.0, 0.3])
@pytest.mark.parametrize("box", [0.0, 0.2, 1.5])
def test_folded_peak_is_the_integral_of_the_shape_over_the_box(lorentz, asymmetry, box):
    def shape(x):  # a split pseudo-Voigt written out, unit area
        width = 0.8 * (1 + asymmetry if x > 0 else 1 - asymmetry)
        z = x / width
        gauss = np.exp(-4 * np.log(2) * z**2) * 2 * np.sqrt(np.log(2) / np.pi)
        cauchy = 2 / np.pi / (1 + 4 * z**2)
        return ((1 - lorentz) * gauss + lorentz * cauchy) / 0.8

    for x in (-1.1, -0.2, 0.0, 0.35, 0.9):
        at = x - 0.1
        if box == 0.0:
            expected = shape(at)
        else:
            low, high = at - box / 2, at + box / 2
            points = [0.0] if low < 0 < high else None
            expected = quad(shape, low, high, points=points)[0] / box
        found = folded_peak(np.array([x]), 0.1, 0.8, lorentz, box_deg=box, asymmetry=asymmetry)[0]
        assert found == pytest.approx(expected, rel=2e-4)


@pytest.mark.parametrize("lorentz", [0.0, 0.4, 1.0])
@pytest.mark.parametrize("axial", ["apertures", "one_stack", "two_stacks"])
@pytest.mark.parametrize("half_base", [0.0, 0.3, 4.8])
def test_axially_folded_peak_is_the_integral_over_the_window(lorentz, axial, half_base):
    def shape(x):
        gauss = np.exp(-4 * np.log(2) * (x / 0.8) ** 2) * 2 * np.sqrt(np.log(2) / np.pi)
        cauchy = 2 / np.pi / (1 + 4 * (x / 0.8) ** 2)
        return ((1 - lorentz) * gauss + lorentz * cauchy) / 0.8

    fine = np.linspace(-2.0 * half_base, 2.0 * half_base, 20_001)
    for x in (-9.0, -3.1, -0.2, 0.0, 0.35, 5.0):
        if half_base == 0.0:
            expected = shape(x - 0.1)
        else:
            window = axial_window(fine / half_base, axial)
            expected = np.sum(window * shape(x - 0.1 - fine)) / window.sum()
        found = axially_folded_peak(
            np.array([x]), 0.1, 0.8, lorentz, half_base_deg=half_base, axial=axial
        )[0]
        assert found == pytest.approx(expected, rel=3e-3, abs=1e-6)


def test_integral_breadth_of_the_pure_shapes():
    assert integral_breadth(1.0, 0.0) == pytest.approx(1.0645, abs=1e-4)  # √(π/(4 ln 2)), Gaussian
    assert integral_breadth(1.0, 1.0) == pytest.approx(1.5708, abs=1e-4)  # Lorentzian
