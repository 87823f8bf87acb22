"""The lines of the control charts, each point with its own uncertainty.

Where all points are equally uncertain these are the charts of the textbooks. Where they are not:

- individuals: limits at 3 times the point's own standard deviation √(σ² + u²);
- EWMA: the gain of each step is that of a Kalman filter for a slowly moving level, set so that a
  typical point gets λ; an uncertain point moves the average less. Limits follow the variance
  that the average then has;
- CUSUM: sums of the log-likelihood ratio for a shift of 2k typical standard deviations, told in
  the unit of the quantity; a point counts by typical²/own² of its excess over k.

Sources: NIST/SEMATECH e-Handbook 6.3.2.2 to 6.3.2.4; S. W. Roberts, Technometrics 1 (1959) 239
(EWMA); E. S. Page, Biometrika 41 (1954) 100 (CUSUM); R. E. Kalman, J. Basic Eng. 82 (1960) 35
(the three from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.trend.scatter import D2, D4, Baseline

EWMA_GAIN, EWMA_WIDTH = 0.2, 2.962
"""In-control run length 500 (Lucas & Saccucci, Technometrics 32 (1990) 1, from memory)."""
CUSUM_SLACK, CUSUM_LIMIT = 0.5, 5.0
"""k and h in typical standard deviations: tuned to a shift of one; both sides 465 runs."""


@dataclass(frozen=True, slots=True)
class ChartSettings:
    """EWMA gain λ and width L; CUSUM slack k and limit h. L, k and h in standard deviations."""

    ewma_gain: float = EWMA_GAIN
    ewma_width: float = EWMA_WIDTH
    cusum_slack: float = CUSUM_SLACK
    cusum_limit: float = CUSUM_LIMIT


USUAL = ChartSettings()


@dataclass(frozen=True, slots=True)
class Individuals:
    """Points and moving ranges with limits; arrays (N,), those of ranges (N-1,)."""

    values: FloatArray
    z: FloatArray
    lower: FloatArray
    upper: FloatArray
    ranges: FloatArray
    range_centre: FloatArray
    range_upper: FloatArray


@dataclass(frozen=True, slots=True)
class Ewma:
    """Exponentially weighted average with limits, arrays (N,); ``gain`` is each point's λ."""

    values: FloatArray
    lower: FloatArray
    upper: FloatArray
    gain: FloatArray


@dataclass(frozen=True, slots=True)
class Cusum:
    """Cumulative sums above and below, arrays (N,), and the limit both are held against."""

    above: FloatArray
    below: FloatArray
    limit: float


def individuals(values: FloatArray, u: FloatArray, baseline: Baseline) -> Individuals:
    """The individuals and moving-range chart of points, shape (N,)."""
    spread = baseline.spread(u)
    pair = np.sqrt(0.5 * (spread[1:] ** 2 + spread[:-1] ** 2))
    return Individuals(
        values,
        _over(values - baseline.centre, spread),
        baseline.centre - 3.0 * spread,
        baseline.centre + 3.0 * spread,
        np.abs(np.diff(values)),
        D2 * pair,
        D4 * D2 * pair,
    )


def _over(deviation: FloatArray, spread: FloatArray) -> FloatArray:
    """Deviation in standard deviations; infinite where there is no scatter to measure it by."""
    safe = np.where(spread > 0.0, spread, 1.0)
    return np.where(
        spread > 0.0,
        deviation / safe,
        np.where(deviation == 0.0, 0.0, np.copysign(np.inf, deviation)),
    )


def ewma(
    values: FloatArray,
    u: FloatArray,
    baseline: Baseline,
    *,
    gain: float = EWMA_GAIN,
    width: float = EWMA_WIDTH,
) -> Ewma:
    """The EWMA chart of points, (N,); the average starts at the centre, as after a steady run."""
    typical2 = baseline.typical**2
    # a level that moves by variance q a step gives a typical point the steady gain λ
    q = typical2 * gain**2 / (1.0 - gain)
    known = typical2 * gain  # variance of the level after a steady run of typical points
    average, variance = baseline.centre, typical2 * gain / (2.0 - gain)
    averages, gains, variances = [], [], []
    for x, s2 in zip(values.tolist(), (baseline.spread(u) ** 2).tolist(), strict=True):
        ahead = known + q
        step = ahead / (ahead + s2) if ahead + s2 > 0.0 else gain
        known = (1.0 - step) * ahead
        average += step * (x - average)
        variance = (1.0 - step) ** 2 * variance + step**2 * s2
        averages.append(average)
        gains.append(step)
        variances.append(variance)
    half = width * np.sqrt(np.array(variances))
    return Ewma(np.array(averages), baseline.centre - half, baseline.centre + half, np.array(gains))


def cusum(
    values: FloatArray,
    u: FloatArray,
    baseline: Baseline,
    *,
    slack: float = CUSUM_SLACK,
    limit: float = CUSUM_LIMIT,
) -> Cusum:
    """The two one-sided CUSUM charts of points, shape (N,).

    ``slack`` (k) and ``limit`` (h) are in typical standard deviations. The sums run
    on after a signal, so that its end is seen too.
    """
    typical = baseline.typical
    spread2 = baseline.spread(u) ** 2
    weight = np.where(spread2 > 0.0, typical**2 / np.where(spread2 > 0.0, spread2, 1.0), 1.0)
    high = low = 0.0
    above, below = [], []
    for part, w in zip((values - baseline.centre).tolist(), weight.tolist(), strict=True):
        high = max(0.0, high + w * (part - slack * typical))
        low = max(0.0, low + w * (-part - slack * typical))
        above.append(high)
        below.append(low)
    return Cusum(np.array(above), np.array(below), limit * typical)
