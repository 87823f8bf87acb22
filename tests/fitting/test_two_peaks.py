"""Pairs of peaks: areas as simulated, doubt as it scatters, and no matter what is fitted beside."""

import numpy as np
import pytest

from xrdfilm.fitting.profile import pseudo_voigt
from xrdfilm.fitting.two_peaks import PairWindow, fit_pairs


def pair_window(
    rng: np.random.Generator | None,
    ratio: float = 0.5,
    width: float = 0.1,
    apart: float = 0.13,
    reach: float = 0.4,
) -> PairWindow:
    x = np.arange(50.0 - reach, 50.0 + apart + reach, 0.02)
    first, second = (pseudo_voigt(x, 50.003 + at, width, 0.4) for at in (0.0, apart))
    mean = 80.0 + 20.0 * (x - 50.0) + 600.0 * (first + ratio * second)
    counts = mean if rng is None else rng.poisson(mean).astype(float)
    top = float(x[np.argmax(counts)])
    return PairWindow(x, counts, np.sqrt(np.maximum(counts, 1.0)), top, apart, 0.9 * width)


@pytest.mark.parametrize("ratio", [0.0, 0.5, 0.8])
def test_areas_of_exact_counts_come_back(ratio: float) -> None:
    (fit,) = fit_pairs([pair_window(None, ratio)])
    assert fit is not None
    assert fit.areas == pytest.approx([600.0, 600.0 * ratio], rel=1e-5, abs=1e-3)


def test_the_ratio_scatters_as_its_covariance_says() -> None:
    rng = np.random.default_rng(3)
    fits = fit_pairs([pair_window(rng, width=0.06) for _ in range(300)])
    pulls = []
    for fit in fits:
        assert fit is not None
        by = np.array([-fit.areas[1] / fit.areas[0], 1.0]) / fit.areas[0]
        pulls.append((fit.areas[1] / fit.areas[0] - 0.5) / np.sqrt(by @ fit.covariance @ by))
    assert abs(np.mean(pulls)) < 0.3
    assert 0.8 < np.std(pulls) < 1.3


def test_a_pair_is_not_changed_by_those_beside_it() -> None:
    rng = np.random.default_rng(7)
    windows = [
        pair_window(rng, width=width, apart=apart, reach=reach)
        for width, apart, reach in ((0.1, 0.13, 0.4), (0.08, 0.2, 0.7), (0.2, 0.13, 0.35), (0.1, 0.1, 0.41))
    ]  # fmt: skip
    for window, beside in zip(windows, fit_pairs(windows), strict=True):
        (alone,) = fit_pairs([window])
        assert alone is not None
        assert beside is not None
        assert alone.areas.tobytes() == beside.areas.tobytes()
        assert alone.covariance.tobytes() == beside.covariance.tobytes()


def test_areas_are_those_of_a_general_optimiser() -> None:
    """scipy.optimize.curve_fit on the same counts and weights."""
    from scipy.optimize import curve_fit

    window = pair_window(np.random.default_rng(11))

    def model(x, one, two, level, slope, place, width, lorentz):  # type: ignore[no-untyped-def]
        peaks = (
            area * pseudo_voigt(x, place + at, width, lorentz)
            for area, at in ((one, 0.0), (two, window.apart_deg))
        )
        return level + slope * (x - 50.0) + sum(peaks)

    found, _ = curve_fit(
        model, window.two_theta_deg, window.counts, (500.0, 200.0, 80.0, 0.0, 50.0, 0.1, 0.5),
        sigma=window.sigma, xtol=1e-12, ftol=1e-12,
    )  # fmt: skip
    (fit,) = fit_pairs([window])
    assert fit is not None
    assert fit.areas == pytest.approx(found[:2], rel=1e-4)
