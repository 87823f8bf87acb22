from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from xrdfilm.texture.peakshape import folded_peak, integral_breadth


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


def test_integral_breadth_of_the_pure_shapes():
    assert integral_breadth(1.0, 0.0) == pytest.approx(1.0645, abs=1e-4)  # √(π/(4 ln 2)), Gaussian
    assert integral_breadth(1.0, 1.0) == pytest.approx(1.5708, abs=1e-4)  # Lorentzian
