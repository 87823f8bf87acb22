"""Noise of intensities that are no counts."""

from __future__ import annotations

import numpy as np
import pytest

from xrdfilm.fitting.noise import noise_scale
from xrdfilm.fitting.profile import pseudo_voigt

X = np.arange(10.0, 80.0, 0.02)
EXPECTED = 150 + 800 * np.exp(-(X - 10) / 5) + 5000 * pseudo_voigt(X, 38.5, 0.2, 0.5)


@pytest.mark.parametrize("unit", [1.0, 1e-5, 12.0])
def test_scale_of_counts_in_any_unit(unit: float) -> None:
    counts = np.random.default_rng(0).poisson(EXPECTED, size=(5, X.size)) * unit
    scale, variance = noise_scale(counts)
    assert variance is None
    np.testing.assert_allclose(scale, unit, rtol=0.08)


def test_curves_below_zero_get_a_flat_variance() -> None:
    net = np.random.default_rng(1).normal(0.0, 3.0, (4, X.size))
    scale, variance = noise_scale(net)
    assert variance is not None
    np.testing.assert_allclose(scale, 1.0)
    np.testing.assert_allclose(variance, 9.0, rtol=0.1)


def test_a_mostly_empty_scan_still_has_a_scale() -> None:
    sparse = np.zeros((1, X.size))
    sparse[0, ::50] = 1.0
    scale, _ = noise_scale(sparse)
    assert scale[0] > 0
