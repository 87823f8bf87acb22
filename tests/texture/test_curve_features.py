from __future__ import annotations

import numpy as np
import pytest

from xrdfilm.texture.curve_features import half_height_width, noise_sigma, saturated_top


def test_noise_is_read_off_a_smooth_curve():
    rng = np.random.default_rng(7)
    x = np.linspace(0, 10, 2000)
    assert noise_sigma(np.sin(x) * 50 + rng.normal(0, 3.0, 2000)) == pytest.approx(3.0, rel=0.1)


def test_half_height_width_needs_both_flanks():
    x = np.linspace(-3, 3, 601)
    y = np.exp(-4 * np.log(2) * x**2)
    assert half_height_width(x, y, 0 * x) == pytest.approx(1.0, abs=0.01)
    assert half_height_width(x[x > -0.2], y[x > -0.2], 0 * x[x > -0.2]) is None


def test_a_flat_top_is_saturation_only_where_counts_are_many():
    assert saturated_top([10.0, 900.0, 900.0, 900.0, 20.0])
    assert not saturated_top([10.0, 900.0, 899.0, 900.0, 20.0])
    assert not saturated_top([1.0, 4.0, 4.0, 4.0, 0.0])
