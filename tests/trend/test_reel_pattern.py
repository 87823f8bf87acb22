from __future__ import annotations

import numpy as np
import pytest

from xrdfilm.trend.reel_pattern import pattern_of


def _places(rng: np.random.Generator, n: int = 60) -> np.ndarray:
    return np.cumsum(rng.uniform(0.5, 1.5, n))


def test_a_steady_reel_has_no_pattern() -> None:
    rng = np.random.default_rng(1)
    seen = 0
    for _ in range(25):
        x = _places(rng)
        pattern = pattern_of(x, rng.normal(size=x.size), np.ones(x.size), shuffles=199)
        assert pattern.drift is not None
        assert pattern.period is not None
        seen += pattern.drift.seen or pattern.period.seen
    assert seen <= 3  # two chances of 0.01 each


def test_drift_and_period_are_measured() -> None:
    rng = np.random.default_rng(2)
    x = _places(rng, 90)
    y = 0.03 * x + 1.2 * np.sin(2 * np.pi * x / 6.28) + rng.normal(0.0, 0.5, x.size)
    pattern = pattern_of(x, y, np.full(x.size, 0.5))
    assert pattern.drift is not None
    assert pattern.period is not None
    assert pattern.drift.seen
    assert pattern.period.seen
    assert abs(pattern.drift.per_m - 0.03) < 3.0 * pattern.drift.sigma
    assert abs(pattern.period.period_m - 6.28) < 3.5 * pattern.period.sigma_m
    assert pattern.period.amplitude == pytest.approx(1.2, abs=0.3)
    assert pattern.period.roller_mm == pytest.approx(1000 * pattern.period.period_m / np.pi)
    assert not pattern.period.alias
    truth = 0.03 * x + 1.2 * np.sin(2 * np.pi * x / 6.28)
    assert np.std(pattern.fitted - truth) < 0.25


def test_one_bad_stretch_is_no_pattern() -> None:
    rng = np.random.default_rng(3)
    x = _places(rng)
    y = rng.normal(size=x.size)
    y[30:33] += 15.0
    pattern = pattern_of(x, y, np.ones(x.size))
    assert pattern.period is not None
    assert not pattern.period.seen


def test_even_spacing_and_missing_figures() -> None:
    rng = np.random.default_rng(4)
    x = np.arange(40.0)
    y = 2.0 * np.cos(2 * np.pi * x / 2.05) + rng.normal(0.0, 0.3, 40)
    y[7] = np.nan
    pattern = pattern_of(x, y, np.full(40, 0.3))
    assert pattern.scans == 39
    assert np.isnan(pattern.fitted[7])
    assert pattern.period is not None
    assert pattern.period.seen
    assert pattern.period.alias


def test_few_scans_are_not_searched() -> None:
    pattern = pattern_of(np.arange(8.0), np.arange(8.0), np.ones(8))
    assert pattern.drift is None
    assert pattern.period is None
