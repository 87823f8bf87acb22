"""The broad background: follows slopes, leaves lines standing, works on what real files hold."""

from __future__ import annotations

import numpy as np
import pytest

from xrdfilm._typing import FloatArray
from xrdfilm.errors import CannotTellError
from xrdfilm.fitting.background import broad_background
from xrdfilm.fitting.profile import pseudo_voigt

X = np.arange(10.0, 80.0, 0.02)
TRUE = 200 + 3000 * np.exp(-(X - 10) / 4) + 60 * np.exp(-(((X - 25) / 9) ** 2))
LINES = sum(
    area * pseudo_voigt(X, place, 0.2, 0.2)
    for place, area in ((22.8, 3000.0), (38.5, 9000.0), (55.0, 2000.0))
)


def counts(expected: FloatArray, seed: int = 0) -> FloatArray:
    return np.random.default_rng(seed).poisson(expected).astype(float)


def off(expected: FloatArray, low: float, high: float, truth: FloatArray = TRUE) -> float:
    """Mean error over a stretch in standard deviations of one point, over ten scans."""
    here = (low < X) & (high > X)
    found = [
        ((broad_background(X, counts(expected, seed)).values - truth) / np.sqrt(truth))[here]
        for seed in range(10)
    ]
    return float(np.mean(found))


@pytest.mark.parametrize(("low", "high"), [(10, 14), (16, 20), (29, 34), (60, 70), (76, 80)])
def test_follows_foot_hump_and_flat_beside_strong_lines(low: float, high: float) -> None:
    assert abs(off(TRUE + LINES, low, high)) < 0.6


@pytest.mark.parametrize("level", [0.01, 0.1, 1.0])
def test_few_counts_do_not_bias_it(level: float) -> None:
    assert abs(off(level * TRUE, 60, 75, level * TRUE)) < 0.35


def test_leaves_most_of_a_broad_weak_line_standing() -> None:
    """FWHM 1.5°, top 2 standard deviations of a point: plain to the eye."""
    broad = 48 * pseudo_voigt(X, 66.0, 1.5, 0.0)
    top = float(broad.max() / np.sqrt(TRUE[np.argmax(broad)]))
    assert top == pytest.approx(2.1, abs=0.2)
    eaten = off(TRUE + broad, 65.8, 66.2) - off(TRUE, 65.8, 66.2)
    assert eaten < 0.35 * top


def test_its_uncertainty_covers_what_it_misses() -> None:
    found = broad_background(X, counts(TRUE + LINES))
    away = np.ones(X.size, bool)
    for place in (22.8, 38.5, 55.0):
        away &= np.abs(X - place) > 3.0
    pull = (found.values - TRUE)[away] / found.sigma[away]
    assert 0.2 < np.sqrt(np.mean(pull**2)) < 1.0
    assert np.mean(np.abs(pull) < 2.0) > 0.95


def test_missing_points_net_curves_and_short_scans() -> None:
    y = counts(TRUE)
    y[100:110] = np.nan
    assert np.isfinite(broad_background(X, y).values).all()
    net = np.random.default_rng(1).normal(0.0, 5.0, X.size)
    assert abs(broad_background(X, net).values.mean()) < 8.0
    short = broad_background(X[:40], TRUE[:40])
    assert short.values.shape == (40,)
    with pytest.raises(CannotTellError, match="at least 10 points"):
        broad_background(X[:8], TRUE[:8])


def test_input_is_left_alone_and_the_answer_repeats() -> None:
    y = counts(TRUE)
    y.flags.writeable = False
    first, again = broad_background(X, y), broad_background(list(X), list(y))  # type: ignore[arg-type]
    np.testing.assert_array_equal(first.values, again.values)
    assert "root counts" in first.method
