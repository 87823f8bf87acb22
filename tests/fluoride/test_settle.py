"""Tilts of poles, counting times, and advice that fits the question."""

from __future__ import annotations

import numpy as np
import pytest

from xrdfilm.fluoride.settle import pole_angles_deg


def test_pole_angles_of_the_cube():
    # acos(1/√3) = 54.74°, acos(1/3) = 70.53°, acos(1/√2) = 45°: textbook angles of the cube
    assert pole_angles_deg((0, 0, 1), (1, 1, 1)) == pytest.approx((54.7356,), abs=1e-4)
    assert pole_angles_deg((1, 1, 1), (1, 1, 1)) == pytest.approx((0.0, 70.5288), abs=1e-4)
    assert pole_angles_deg((0, 0, 1), (2, 2, 0)) == pytest.approx((45.0, 90.0), abs=1e-4)
    assert np.cos(np.radians(pole_angles_deg((0, 0, 1), (3, 1, 1)))) == pytest.approx(
        [3 / np.sqrt(11), 1 / np.sqrt(11)], abs=1e-6
    )
