from __future__ import annotations

import numpy as np
import pytest

from xrdfilm.errors import CannotTellError
from xrdfilm.texture.azimuth_sets import fit_sets, main_set, places_of, rotation_of, unexplained
from xrdfilm.texture.peakshape import folded_peak

PHI = np.arange(0.0, 360.0, 0.5)


def _mean(offset=20.0, fwhm=5.0, extra=None):
    y = np.full(PHI.size, 25.0)
    for k in range(-1, 5):
        y += 6000.0 * folded_peak(PHI, offset + 90 * k, fwhm, 0.0)
        if extra:
            for sign in (1, -1):
                y += 300.0 * folded_peak(PHI, offset + 90 * k + sign * extra, fwhm, 0.0)
    return y


@pytest.mark.parametrize("offset", [0.5, 20.0, 44.0, 89.5])
@pytest.mark.parametrize("fwhm", [1.5, 5.0, 15.0])
def test_main_set_is_found_wherever_it_stands(offset, fwhm):
    y = np.random.default_rng(1).poisson(_mean(offset, fwhm)).astype(float)
    found, width = main_set(PHI, y, np.sqrt(y), 90.0)
    assert abs((found - offset + 45) % 90 - 45) < max(0.6, fwhm / 4)
    assert fwhm / 2 < width < 3 * fwhm + 2


def test_places_of_a_turn_and_of_a_part():
    whole, cut = places_of(PHI, 20.0, 90.0, 5.0, True)
    assert whole == [20.0, 110.0, 200.0, 290.0]
    assert cut == []
    part = np.arange(0.0, 108.0, 0.5)
    whole, cut = places_of(part, 20.0, 90.0, 5.0, False)
    assert whole == [20.0]
    assert cut == [110.0]  # its foot is in the scan


def test_left_over_sets_are_found_by_their_angle():
    y = np.random.default_rng(2).poisson(_mean(extra=25.0)).astype(float)
    fit, _ = fit_sets(PHI, y, None, 20.0, [45.0], 1, 90.0, 5.0, 0.0, 360.0)
    angle = unexplained(PHI, y, fit, np.sqrt(y), 90.0)
    assert angle == pytest.approx(25.0, abs=1.0)
    fit, sets = fit_sets(PHI, y, None, 20.0, [45.0, angle], 1, 90.0, 5.0, 0.0, 360.0)
    assert rotation_of(fit, sets[0], sets[2], 90.0) == pytest.approx(25.0, abs=0.4)
    assert unexplained(PHI, y, fit, np.sqrt(y), 90.0) is None


def test_a_range_without_a_whole_main_peak_is_refused():
    part = np.arange(30.0, 105.0, 0.5)
    with pytest.raises(CannotTellError, match="no main peak lies whole"):
        fit_sets(part, np.ones(part.size), None, 20.0, [45.0], 1, 90.0, 5.0, 0.0, None)
