"""A figure with its interval: what every quantity in a result is made of.

Source of the one-sided treatment near a bound: a fraction cannot be negative, so an estimate
that its interval does not hold apart from the bound is told as a limit (ISO 11929 thinking);
the unbounded estimate is kept beside it, never clipped in silence.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
from scipy.special import ndtr, ndtri

from xrdfilm._typing import FloatArray

DEFAULT_LEVEL = 0.95


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its interval at a stated level.

    ``value`` is None where only a one-sided limit can be given; then ``low`` or ``high`` is
    that limit and the other end is the bound of the quantity. ``estimate`` is the unbounded
    estimate (it may lie outside the bounds) and ``sigma`` its standard uncertainty, both in the
    unit of the quantity. ``sources`` splits sigma: standard uncertainty by cause ("counting",
    "background", "model", ...), which add in squares. ``draws`` is a sorted sample, shape (D,), of
    the estimate's distribution where it is not normal, and None where it is.
    """

    value: float | None
    low: float | None
    high: float | None
    level: float = DEFAULT_LEVEL
    estimate: float | None = None
    sigma: float | None = None
    sources: Mapping[str, float] = field(default_factory=dict)
    bounds: tuple[float | None, float | None] = (None, None)
    draws: FloatArray | None = field(default=None, repr=False, compare=False)

    @property
    def centre(self) -> float | None:
        """The value, or where there is only a limit the unbounded estimate."""
        return self.value if self.value is not None else self.estimate

    def probability_above(self, limit: float) -> float:
        """Probability that the quantity exceeds ``limit``, within its bounds (JCGM 106:2012, 7).

        The estimate's distribution (normal, or the sample) is cut off at the bounds and
        normalised again. Raises ValueError where the estimate carries no distribution.
        """
        low, high = self.bounds
        below_low = self._cdf(low) if low is not None else 0.0
        below_high = self._cdf(high) if high is not None else 1.0
        if low is not None and limit < low:
            return 1.0
        if high is not None and limit >= high:
            return 0.0
        mass = below_high - below_low
        if mass < 1e-12:  # the whole distribution lies outside: it stands at the nearer bound
            at_high = below_high < 0.5
            return 1.0 if at_high else 0.0
        return float((below_high - self._cdf(limit)) / mass)

    def _cdf(self, x: float) -> float:
        if self.draws is not None and self.draws.size:
            # Harrell-like continuity: half a draw at each end, so no probability is exactly 0 or 1
            rank = float(np.searchsorted(self.draws, x, side="right"))
            n = self.draws.size
            return (rank + 0.5) / (n + 1.0)
        if self.estimate is None or self.sigma is None:
            raise ValueError("an estimate without estimate and sigma has no distribution")
        if self.sigma == 0.0:
            return float(x >= self.estimate)
        return float(ndtr((x - self.estimate) / self.sigma))


def from_normal(
    estimate: float,
    sigma: float,
    *,
    level: float = DEFAULT_LEVEL,
    bounds: tuple[float | None, float | None] = (None, None),
    sources: Mapping[str, float] | None = None,
) -> Estimate:
    """Two-sided interval of a normal estimate, one-sided where a bound lies within it.

    With a lower bound: if ``estimate - z2*sigma`` falls on or below it, the result has no value,
    ``low`` is the bound and ``high`` the one-sided limit ``estimate + z1*sigma`` (but never under
    the limit of an estimate that stands at the bound: a negative estimate must not give a limit
    better than the scan could ever give). The upper bound likewise.
    """
    z_two, z_one = _deviates(level)
    low_bound, high_bound = bounds
    low, high = estimate - z_two * sigma, estimate + z_two * sigma
    value: float | None = estimate
    at_low = low_bound is not None and low <= low_bound
    at_high = high_bound is not None and high >= high_bound
    if at_low or at_high:
        value = None
    if low_bound is not None and at_low:
        low = low_bound
        if not at_high:
            high = max(estimate, low_bound) + z_one * sigma
    if high_bound is not None and at_high:
        high = high_bound
        if not at_low:
            low = min(estimate, high_bound) - z_one * sigma
    low = low if low_bound is None else max(low, low_bound)
    high = high if high_bound is None else min(high, high_bound)
    return Estimate(
        value, low, high, level, estimate, sigma, dict(sources or {"counting": sigma}), bounds
    )


@lru_cache(maxsize=64)
def _deviates(level: float) -> tuple[float, float]:
    """Normal deviates of a two-sided interval and of a one-sided limit at a level."""
    return float(ndtri(0.5 + level / 2.0)), float(ndtri(level))


def from_draws(
    estimate: float,
    draws: FloatArray,
    *,
    level: float = DEFAULT_LEVEL,
    bounds: tuple[float | None, float | None] = (None, None),
    sources: Mapping[str, float] | None = None,
) -> Estimate:
    """Interval from a sample of the unbounded estimate's distribution, shape (N,), N >= 100.

    The same rule near a bound as in `from_normal`; an estimate on or beyond a bound never has a
    value, wherever its draws lie, and an interval always holds its value.
    """
    sample = np.sort(np.asarray(draws, dtype=float))
    # in order, what is not finite stands at an end
    if sample.size < 100 or not np.isfinite(sample[0] + sample[-1]):
        raise ValueError(f"need at least 100 finite draws, found {np.isfinite(sample).sum()}")
    tail = (1.0 - level) / 2.0
    low, high, one_low, one_high = (
        quantile_of_sorted(sample, at) for at in (tail, 1 - tail, 1 - level, level)
    )
    deviation = sample - sample.sum() / sample.size
    sigma = math.sqrt(float(deviation @ deviation) / sample.size)
    low_bound, high_bound = bounds
    at_low = low_bound is not None and min(low, estimate) <= low_bound
    at_high = high_bound is not None and max(high, estimate) >= high_bound
    value: float | None = None if at_low or at_high else estimate
    if value is not None:
        low, high = min(low, value), max(high, value)
    if low_bound is not None and at_low:
        low = low_bound
        if not at_high:
            high = one_high + max(0.0, low_bound - estimate)
    if high_bound is not None and at_high:
        high = high_bound
        if not at_low:
            low = one_low - max(0.0, estimate - high_bound)
    low = float(low if low_bound is None else max(low, low_bound))
    high = float(high if high_bound is None else min(high, high_bound))
    return Estimate(
        value,
        low,
        high,
        level,
        estimate,
        sigma,
        dict(sources or {"all": sigma}),
        bounds,
        sample,
    )


def quantile_of_sorted(ordered: FloatArray, probability: float) -> float:
    """Quantile of an ascending sample, (N,), linear between its members (as `numpy.quantile`)."""
    last = ordered.size - 1
    at = probability * last
    below = int(at)
    low, high = float(ordered[below]), float(ordered[min(below + 1, last)])
    return low + (at - below) * (high - low)


def _at_ranks(ordered: FloatArray, rank: FloatArray) -> FloatArray:
    """Quantiles of an ascending sample at many ranks 0..1, as `quantile_of_sorted`."""
    return np.interp(rank * (ordered.size - 1), np.arange(ordered.size), ordered)


def _within_bounds(estimate: Estimate) -> FloatArray:
    """The draws that lie within the bounds; where none does, the bound nearest to them."""
    assert estimate.draws is not None
    low, high = (
        np.inf * s if b is None else b for b, s in zip(estimate.bounds, (-1, 1), strict=True)
    )
    inside = estimate.draws[(estimate.draws >= low) & (estimate.draws <= high)]
    return inside if inside.size else np.clip(estimate.draws, low, high)


def widest(estimates: Sequence[Estimate]) -> Estimate:
    """One figure for a quantity of which several, each with draws, may hold: their envelope.

    Its lower quantiles are the lowest of theirs and its upper ones the highest (a probability
    box), so that a limit counts as kept, or broken, only where it does for every one. Each is
    first cut off at its bounds: of one that lies largely outside, what is left inside is as
    likely as another to hold. The unbounded estimate and the causes are those of the one known
    least; what the envelope adds to its spread is "which of several holds". Raises ValueError
    for none.
    """
    if not estimates:
        raise ValueError("no estimate to choose from")
    drawn = [e for e in estimates if e.draws is not None]
    if len(estimates) == 1 or len(drawn) < len(estimates):
        return max(estimates, key=lambda e: np.inf if e.high is None else e.high)
    first = max(drawn, key=lambda e: e.sigma or 0.0)
    rank = np.linspace(0.0, 1.0, max(len(e.draws) for e in drawn if e.draws is not None))
    table = np.array([_at_ranks(_within_bounds(e), rank) for e in drawn])
    draws = np.where(rank < 0.5, table.min(axis=0), table.max(axis=0))
    spread, own = float(draws.std()), first.sigma or 0.0
    sources = dict(adding_up(first).sources)
    if spread > own:
        sources["which of several holds"] = float(np.sqrt(spread**2 - own**2))
    else:  # cut off at the bounds
        sources = {cause: part * spread / own for cause, part in sources.items()}
    lows = [e.low for e in estimates if e.low is not None]
    highs = [e.high for e in estimates if e.high is not None]
    return Estimate(
        None,
        min(lows) if len(lows) == len(estimates) else first.bounds[0],
        max(highs) if len(highs) == len(estimates) else first.bounds[1],
        first.level,
        first.estimate,
        spread,
        sources,
        first.bounds,
        draws,
    )


def adding_up(estimate: Estimate) -> Estimate:
    """The estimate with its causes in their proportion, so that their squares add to sigma².

    For causes reckoned by slopes, where the draws are skew and spread wider than slopes tell. All
    causes must be there: a missing one would be dealt out among the others.
    """
    told = float(np.sqrt(sum(part * part for part in estimate.sources.values())))
    if not estimate.sigma or not told > 0.0:
        return estimate
    scale = estimate.sigma / told
    return replace(estimate, sources={c: scale * part for c, part in estimate.sources.items()})
