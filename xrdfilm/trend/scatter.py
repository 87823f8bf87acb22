"""Centre and scatter of a steady line: the limits of its control charts (phase I).

A run's figure scatters by the line's own scatter and by what the run's figure is uncertain by:
variance σ² + u². The scatter σ is taken from moving ranges, which a slow drift or a shift hardly
touches, with the part that u explains taken off.

Sources: individuals and moving range, NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2
(d2 = 1.128, D4 = 3.267 for ranges of two); Huber's M-estimates of location and scale ("proposal
2"), P. J. Huber, Robust Statistics (Wiley 1981), ch. 6 (from memory; efficiency measured in the
tests).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import ndtr

from xrdfilm._typing import FloatArray

D2 = 1.128
"""Mean range of two normal values over their standard deviation, as tabulated."""
D4 = 3.267
"""Upper 3-sigma limit of the range of two over its mean, as tabulated."""
LEAST_POINTS = 8
"""Limits from fewer points than this would mean nothing."""

Method = Literal["robust", "classical", "stated"]
_CLIP = 1.5


@dataclass(frozen=True, slots=True)
class Baseline:
    """Frozen limits: the centre line and the scatter of the line around it.

    ``sigma`` is the line's own scatter, without what the points are uncertain by; ``typical_u``
    is the median uncertainty of the points it was made from. All in the unit of the quantity.
    """

    centre: float
    sigma: float
    typical_u: float = 0.0
    points: int = 0
    first: str = ""
    last: str = ""
    method: Method = "robust"

    @property
    def typical(self) -> float:
        """Standard deviation of a typical point about the centre."""
        return float(np.hypot(self.sigma, self.typical_u))

    def spread(self, u: FloatArray) -> FloatArray:
        """Standard deviation of points with uncertainty ``u``, shape (N,)."""
        return np.hypot(self.sigma, u)


def baseline_of(
    values: FloatArray,
    u: FloatArray | None = None,
    *,
    method: Method = "robust",
    names: tuple[str, ...] = (),
) -> Baseline:
    """Centre and scatter of N points in order, ``values`` and ``u`` of shape (N,), N >= 2.

    "classical" is the plain mean and mean moving range; "robust" (Huber) is hardly moved by one
    point in six gone astray. Where the uncertainties alone explain the scatter, sigma is 0.
    """
    if values.size < 2:
        raise ValueError(f"need at least 2 points, found {values.size}")
    own = np.zeros_like(values) if u is None else u
    if method == "classical":
        sigma = _classical_sigma(values, own)
        centre = _weighted_mean(values, np.hypot(sigma, own))
    else:
        sigma = float(robust_sigma(values[None, :], own)[0])
        centre = float(robust_centre(values[None, :], np.hypot(sigma, own)[None, :])[0])
    return Baseline(
        centre,
        sigma,
        float(np.median(own)),
        int(values.size),
        names[0] if names else "",
        names[-1] if names else "",
        method,
    )


def _weighted_mean(values: FloatArray, spread: FloatArray) -> float:
    if not np.all(spread > 0.0) or np.ptp(spread) == 0.0:
        return float(values.mean())
    weights = 1.0 / spread**2
    return float(weights @ values / weights.sum())


def _classical_sigma(values: FloatArray, u: FloatArray) -> float:
    """σ at which the mean of range over its standard deviation is d2."""
    ranges = np.abs(np.diff(values))
    squares = 0.5 * (u[1:] ** 2 + u[:-1] ** 2)
    if not squares.any():
        return float(ranges.mean()) / D2

    def excess(sigma: FloatArray) -> FloatArray:
        mean: FloatArray = np.mean(ranges / np.sqrt(sigma[:, None] ** 2 + squares), axis=1)
        return mean - D2

    return float(_root(excess, np.array([ranges.mean() * 4.0]))[0])


def robust_sigma(values: FloatArray, u: FloatArray) -> FloatArray:
    """σ of each row of ``values``, shape (M, N), with uncertainties ``u``, shape (N,) or (M, N).

    Huber's proposal 2 on the ranges of neighbours, clipped at 1.5 standard deviations.
    """
    squared = np.diff(values, axis=1) ** 2
    pair = np.broadcast_to(u[..., 1:] ** 2 + u[..., :-1] ** 2, squared.shape)
    wanted = clipped_square(_CLIP)

    def excess(sigma: FloatArray) -> FloatArray:
        variance = np.maximum(2.0 * sigma[:, None] ** 2 + pair, 1e-300)
        mean: FloatArray = np.mean(np.minimum(squared / variance, _CLIP**2), axis=1)
        return mean - wanted

    return _root(excess, 2.0 * np.sqrt(squared.max(axis=1)) + 1e-300)


def clipped_square(clip: float) -> float:
    """Mean of min(z², clip²) for a standard normal z."""
    inside = 2.0 * float(ndtr(clip)) - 1.0
    density = math.exp(-0.5 * clip**2) / math.sqrt(2.0 * math.pi)
    return inside - 2.0 * clip * density + clip**2 * (1.0 - inside)


def _root(excess: Callable[[FloatArray], FloatArray], high: FloatArray) -> FloatArray:
    """Where a falling function of σ crosses zero, for each row; 0 where it starts below."""
    low = np.zeros_like(high)
    top = high.copy()
    for _ in range(44):
        middle = 0.5 * (low + top)
        above = excess(middle) > 0.0
        low = np.where(above, middle, low)
        top = np.where(above, top, middle)
    at_zero = excess(np.zeros_like(high)) <= 0.0
    return np.where(at_zero, 0.0, 0.5 * (low + top))


def robust_centre(values: FloatArray, spread: FloatArray) -> FloatArray:
    """Huber's location of each row, both of shape (M, N); residuals clipped at 1.5 ``spread``."""
    centre = np.median(values, axis=1)
    safe = np.maximum(spread, 1e-300)
    if not np.all(spread > 0.0):
        return centre
    for _ in range(60):
        pull = (values - centre[:, None]) / safe
        weight = np.minimum(1.0, _CLIP / np.maximum(np.abs(pull), 1e-12)) / safe**2
        moved = np.sum(weight * values, axis=1) / np.sum(weight, axis=1)
        if np.allclose(moved, centre, rtol=0.0, atol=1e-7 * float(safe.min())):
            break
        centre = moved
    return centre


def neighbour_correlation(values: FloatArray, baseline: Baseline, u: FloatArray) -> float:
    """Correlation of neighbours about the centre, in standard errors of it (about 1/√N).

    ``values`` and their uncertainties ``u`` have shape (N,). Above about 2, neighbours hang
    together and limits from moving ranges are too narrow.
    """
    if values.size < 4:
        return 0.0
    z = (values - baseline.centre) / np.maximum(baseline.spread(u), 1e-300)
    z = np.clip(z - z.mean(), -3.0, 3.0)
    if not z.any():
        return 0.0
    return float((z[1:] @ z[:-1]) / (z @ z) * np.sqrt(values.size))
