"""The fitting engine against the certified sets of NIST's Statistical Reference Datasets.

Source: B. Rust, NIST/ITL StRD, nonlinear regression (see tests/strd/README.md). The peak areas
derived from Gauss1-3 (area = height × width × sqrt(pi), full covariance) are computed here from the
certified parameters and, for their errors, quoted from an independent fit with scipy.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from xrdfilm._typing import FloatArray
from xrdfilm.fitting.least_squares import LeastSquares, least_squares
from xrdfilm.fitting.levenberg import Observations, minimise

FOLDER = Path(__file__).parent / "strd"
SETS = ("Gauss1", "Gauss2", "Gauss3", "Lanczos3", "Eckerle4")


@dataclass(frozen=True)
class Certified:
    starts: FloatArray
    values: FloatArray
    deviations: FloatArray
    rss: float
    y: FloatArray
    x: FloatArray


def load(name: str) -> Certified:
    text = (FOLDER / f"{name}.dat").read_text()
    rows = [
        [float(word) for word in m.group(1).split()]
        for m in re.finditer(r"^\s*b\d+ =\s+(.+)$", text, re.MULTILINE)
    ]
    table = np.array(rows)
    rss = float(re.search(r"Residual Sum of Squares:\s+(\S+)", text)[1])  # type: ignore[index]
    data = np.loadtxt(text.split("Data:")[-1].splitlines()[1:])
    return Certified(table[:, :2].T, table[:, 2], table[:, 3], rss, data[:, 0], data[:, 1])


def two_gaussians(b: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    fall = np.exp(-b[1] * x)
    u, v = (x - b[3]) / b[4], (x - b[6]) / b[7]
    one, two = np.exp(-u * u), np.exp(-v * v)
    slopes = [
        fall,
        -b[0] * x * fall,
        one,
        b[2] * one * 2 * u / b[4],
        b[2] * one * 2 * u * u / b[4],
        two,
        b[5] * two * 2 * v / b[7],
        b[5] * two * 2 * v * v / b[7],
    ]
    return b[0] * fall + b[2] * one + b[5] * two, np.array(slopes)


def three_exponentials(b: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    fall = np.exp(-np.outer(b[1::2], x))
    slopes = np.empty((6, x.size))
    slopes[0::2], slopes[1::2] = fall, -b[0::2, None] * x * fall
    return b[0::2] @ fall, slopes


def one_gaussian(b: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    u = (x - b[2]) / b[1]
    shape = np.exp(-0.5 * u * u)
    value = b[0] / b[1] * shape
    return value, np.array([shape / b[1], value * (u * u - 1) / b[1], value * u / b[1]])


FUNCTIONS = {
    "Gauss1": two_gaussians,
    "Gauss2": two_gaussians,
    "Gauss3": two_gaussians,
    "Lanczos3": three_exponentials,
    "Eckerle4": one_gaussian,
}


def digits(found: FloatArray, certified: FloatArray) -> float:
    """Log relative error, the usual count of matching digits (B. McCullough, 1998)."""
    off = np.abs(found / certified - 1.0)
    return float(-np.log10(np.maximum(off, 1e-16)).min())


def fit(name: str, start: int) -> tuple[LeastSquares, Certified]:
    sample = load(name)
    return least_squares(
        lambda b: FUNCTIONS[name](b, sample.x), sample.starts[start], sample.y
    ), sample


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("name", SETS)
def test_certified_values_from_both_starts(name: str, start: int) -> None:
    found, sample = fit(name, start)
    assert found.converged
    assert digits(found.theta, sample.values) >= 8
    assert digits(found.standard_error, sample.deviations) >= 6
    assert found.residual_sum_of_squares == pytest.approx(sample.rss, rel=1e-8)


@pytest.mark.parametrize(
    ("name", "areas", "errors", "correlation"),
    [
        ("Gauss1", (4119.730, 2346.614), (35.818, 27.133), 0.458),
        ("Gauss2", (4257.773, 2493.418), (42.383, 36.169), -0.307),
        ("Gauss3", (4158.631, 2569.432), (85.701, 81.191), -0.874),
    ],
)
def test_areas_of_overlapping_lines_and_their_correlation(
    name: str, areas: tuple[float, float], errors: tuple[float, float], correlation: float
) -> None:
    found, _ = fit(name, 0)
    root = np.sqrt(np.pi)
    slopes = np.zeros((2, 8))
    for row, (height, width) in enumerate(((2, 4), (5, 7))):
        slopes[row, height] = found.theta[width] * root
        slopes[row, width] = found.theta[height] * root
    area = found.theta[[2, 5]] * found.theta[[4, 7]] * root
    covariance = slopes @ found.covariance @ slopes.T
    sigma = np.sqrt(np.diag(covariance))
    np.testing.assert_allclose(area, areas, atol=6e-4)
    np.testing.assert_allclose(sigma, errors, atol=6e-4)
    assert covariance[0, 1] / sigma.prod() == pytest.approx(correlation, abs=6e-4)


class Exponential:
    """B decays a·exp(-k·x) on one axis."""

    def __init__(self, x: FloatArray) -> None:
        self.x = x

    def evaluate(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        fall = np.exp(-theta[:, 1:] * self.x)
        value = theta[:, :1] * fall
        return value, np.stack([fall, -self.x * value], axis=1)

    def take(self, rows: FloatArray) -> Exponential:
        del rows
        return self


def test_poisson_fit_is_the_maximum_of_the_likelihood() -> None:
    """At the maximum the scores Σ (y/µ - 1) ∂µ vanish, and no other point is more likely."""
    rng = np.random.default_rng(5)
    x = np.linspace(0.0, 3.0, 40)
    y = rng.poisson(6.0 * np.exp(-0.8 * x), size=(200, 40)).astype(float)
    best = minimise(
        Exponential(x),
        np.tile([4.0, 0.5], (200, 1)),
        Observations(y, np.ones_like(y), floor=np.full((200, 1), 1e-3)),
        tolerance=1e-14,
    )
    value, slopes = Exponential(x).evaluate(best.theta)
    scores = np.einsum("bpn,bn->bp", slopes, y / value - 1.0)
    sigma = np.sqrt(np.diagonal(best.covariance, axis1=1, axis2=2))
    assert best.converged.all()
    assert np.abs(scores * sigma).max() < 1e-5

    def likelihood(theta: FloatArray) -> FloatArray:
        mu = Exponential(x).evaluate(theta)[0]
        return (y * np.log(mu) - mu).sum(axis=1)

    for shift in ([0.3, 0.0], [-0.3, 0.0], [0.0, 0.2], [0.0, -0.2]):
        assert (likelihood(best.theta + np.array(shift) * sigma) < likelihood(best.theta)).all()


def test_bounds_hold_and_are_told() -> None:
    x = np.linspace(0.0, 3.0, 40)
    y = np.tile(50.0 * np.exp(-0.8 * x), (2, 1))
    best = minimise(
        Exponential(x),
        np.array([[40.0, 0.4], [40.0, 0.4]]),
        Observations(y, np.ones_like(y), np.ones_like(y)),
        low=np.zeros((2, 2)),
        high=np.array([[np.inf, 0.6], [np.inf, 2.0]]),
        tolerance=1e-12,
    )
    np.testing.assert_allclose(best.theta[:, 1], [0.6, 0.8], atol=1e-7)
    assert best.at_bound.tolist() == [[False, True], [False, False]]
    assert best.converged.all()
    assert best.merit[0] > best.merit[1]


def test_held_parameters_keep_their_start_and_carry_no_variance() -> None:
    x = np.linspace(0.0, 3.0, 40)
    y = 50.0 * np.exp(-0.8 * x)[None]
    best = minimise(
        Exponential(x),
        np.array([[40.0, 0.7]]),
        Observations(y, np.ones_like(y), np.ones_like(y)),
        held=np.array([[False, True]]),
        tolerance=1e-12,
    )
    fall = np.exp(-0.7 * x)
    assert best.theta[0, 1] == 0.7
    assert best.theta[0, 0] == pytest.approx(float((y[0] @ fall) / (fall @ fall)), rel=1e-9)
    assert best.covariance[0, 1, 1] == 0.0
    assert best.covariance[0, 0, 0] == pytest.approx(1.0 / float(fall @ fall), rel=1e-9)


def test_problems_do_not_touch_each_other() -> None:
    """A problem fitted among many, hopeless ones included, comes out as when fitted alone."""
    rng = np.random.default_rng(8)
    x = np.linspace(0.0, 3.0, 40)
    y = rng.poisson(30.0 * np.exp(-0.8 * x), size=(20, 40)).astype(float)
    y[3] = 0.0
    floor = np.full((20, 1), 0.5)
    start = np.tile([20.0, 0.5], (20, 1))
    together = minimise(Exponential(x), start, Observations(y, np.ones_like(y), floor=floor))
    for row in (0, 7, 19):
        alone = minimise(
            Exponential(x),
            start[:1],
            Observations(y[row : row + 1], np.ones((1, 40)), floor=floor[:1]),
        )
        np.testing.assert_allclose(alone.theta[0], together.theta[row], rtol=1e-10)
        np.testing.assert_allclose(alone.covariance[0], together.covariance[row], rtol=1e-8)


def test_points_masked_out_have_no_say() -> None:
    x = np.linspace(0.0, 3.0, 40)
    y = 50.0 * np.exp(-0.8 * x)[None].copy()
    on = np.ones_like(y)
    on[0, 10:15] = 0.0
    y[0, 10:15] = 1e6
    best = minimise(
        Exponential(x),
        np.array([[40.0, 0.5]]),
        Observations(y, on, floor=np.full((1, 1), 0.1)),
        tolerance=1e-12,
    )
    np.testing.assert_allclose(best.theta[0], [50.0, 0.8], rtol=1e-7)
