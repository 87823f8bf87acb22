"""Drift and periodic pattern of a quantity along a reel.

A straight line by weighted least squares; beside it the best single period by the generalised
Lomb-Scargle periodogram (M. Zechmeister & M. Kürster, Astron. Astrophys. 496 (2009) 577, from
memory), with weights and the straight line fitted along. Whether it could be chance is found by
shuffling the residuals. A period shorter than twice the spacing of the scans may be the mirror of
another one, and evenly spaced scans cannot tell the two apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr

from xrdfilm._typing import FloatArray

RISK = 0.01
LEAST_SCANS = 12
SHUFFLES = 499
_OVERSAMPLING = 6
_FAR = 3.0
_MOST_FREQUENCIES = 4000


@dataclass(frozen=True, slots=True)
class ReelDrift:
    """A slope along the reel, in the quantity's unit a metre, with its standard uncertainty."""

    per_m: float
    sigma: float
    p: float
    total: float
    seen: bool


@dataclass(frozen=True, slots=True)
class ReelPeriod:
    """A pattern that repeats every ``period_m`` ± ``sigma_m`` metres.

    ``amplitude`` is half of what it swings, ``p`` the probability of so strong a one by chance,
    ``roller_mm`` the diameter of a roller that turns once a period, ``alias`` true where the
    scans are too far apart to be sure of the period.
    """

    period_m: float
    sigma_m: float
    amplitude: float
    p: float
    roller_mm: float
    alias: bool
    seen: bool


@dataclass(frozen=True, slots=True)
class ReelPattern:
    """Drift and period of N scans; ``fitted`` of shape (N,) holds what of them is seen."""

    scans: int
    drift: ReelDrift | None
    period: ReelPeriod | None
    fitted: FloatArray


def pattern_of(
    position_m: FloatArray,
    values: FloatArray,
    sigma: FloatArray,
    *,
    risk: float = RISK,
    shuffles: int = SHUFFLES,
) -> ReelPattern:
    """The pattern of N figures with uncertainties along the reel, all of shape (N,).

    NaN figures are left out, those of a bad stretch held to the rest. Under twelve scans nothing
    is looked for.
    """
    known = np.isfinite(values)
    x, y = position_m[known], values[known]
    fitted = np.full(values.size, np.nan)
    if x.size < LEAST_SCANS:
        return ReelPattern(int(x.size), None, None, fitted)
    u = np.nan_to_num(sigma[known])
    u = np.where(u > 0.0, u, np.median(u[u > 0.0]) if np.any(u > 0.0) else 1.0)
    # the films scatter beyond their uncertainty too: even out the weights by that scatter
    scatter = float(np.median(np.abs(np.diff(y)))) / (math.sqrt(2.0) * 0.6745)
    spread = np.hypot(u, math.sqrt(max(0.0, scatter**2 - float(np.median(u)) ** 2)))
    y = _without_faults(y, spread)
    weight = 1.0 / spread
    middle = float(x.mean())
    line = np.column_stack([np.ones(x.size), x - middle])
    drift, rest = _drift(line, y, weight, float(x[-1] - x[0]), risk)
    period, wave = _period(x, y, line, weight, risk, shuffles)
    curve = y - rest if drift.seen else np.full(x.size, float(np.average(y, weights=weight**2)))
    if period is not None and period.seen:
        curve = curve + wave
    fitted[known] = curve
    return ReelPattern(int(x.size), drift, period, fitted)


def _without_faults(y: FloatArray, spread: FloatArray) -> FloatArray:
    """Figures far off held to the edge of the rest: one bad stretch is no pattern."""
    middle = float(np.median(y))
    wide = max(float(np.median(np.abs(y - middle))) / 0.6745, float(np.median(spread)))
    return np.clip(y, middle - _FAR * wide, middle + _FAR * wide)


def _drift(
    line: FloatArray, y: FloatArray, weight: FloatArray, length: float, risk: float
) -> tuple[ReelDrift, FloatArray]:
    scaled = line * weight[:, None]
    inverse = np.linalg.inv(scaled.T @ scaled)
    coefficients = inverse @ (scaled.T @ (y * weight))
    rest = y - line @ coefficients
    freedom = y.size - 2
    misfit = float(np.sum((rest * weight) ** 2)) / freedom
    sigma = math.sqrt(inverse[1, 1] * misfit)
    slope = float(coefficients[1])
    p = 2.0 * float(stdtr(freedom, -abs(slope) / sigma)) if sigma > 0.0 else 1.0
    return ReelDrift(slope, sigma, p, slope * length, p < risk), rest


def _period(
    x: FloatArray, y: FloatArray, line: FloatArray, weight: FloatArray, risk: float, shuffles: int
) -> tuple[ReelPeriod | None, FloatArray]:
    length = float(x[-1] - x[0])
    spacing = length / (x.size - 1)
    closest = float(np.min(np.diff(x)))
    nothing = np.zeros(x.size)
    # from half the reel down to twice the closest spacing of the scans
    highest = 0.5 / max(closest, 0.2 * spacing)
    lowest = 2.0 / length
    if highest <= lowest:
        return None, nothing
    count = min(_MOST_FREQUENCIES, int((highest - lowest) * length * _OVERSAMPLING) + 1)
    frequencies = np.linspace(lowest, highest, count)
    q, _ = np.linalg.qr(line * weight[:, None])
    rest = y * weight - q @ (q.T @ (y * weight))
    rng = np.random.default_rng(20310304)
    table = np.column_stack([rest, rng.permuted(np.tile(rest, (shuffles, 1)), axis=1).T])
    table -= q @ (q.T @ table)
    table /= np.maximum(np.sqrt(np.sum(table**2, axis=0)), 1e-300)
    strongest = np.zeros(table.shape[1])
    power = np.zeros(count)
    for k, frequency in enumerate(frequencies):
        units = _wave(x, frequency, weight, q)
        share = np.sum((units.T @ table) ** 2, axis=0)
        power[k] = share[0]
        strongest = np.maximum(strongest, share)
    best = float(frequencies[int(np.argmax(power))])
    p = (1.0 + np.count_nonzero(strongest[1:] >= strongest[0] - 1e-12)) / (1.0 + shuffles)
    best, share = _refined(best, 1.0 / (length * _OVERSAMPLING), x, weight, q, table[:, 0])
    phase = 2.0 * np.pi * best * x
    waves = np.column_stack([np.cos(phase), np.sin(phase)])
    design = np.column_stack([line, waves]) * weight[:, None]
    coefficients = np.linalg.lstsq(design, y * weight, rcond=None)[0]
    amplitude = float(np.hypot(*coefficients[2:]))
    # Montgomery & O'Donoghue (1999), from memory: σ_f = √6 σ / (π T A √N)
    misfit = float(np.std(y - np.column_stack([line, waves]) @ coefficients))
    sigma_f = (
        math.sqrt(6.0) * misfit / (math.pi * length * max(amplitude, 1e-300) * math.sqrt(x.size))
    )
    period = 1.0 / best
    found = ReelPeriod(
        period,
        sigma_f * period**2,
        amplitude,
        float(p),
        1000.0 * period / math.pi,
        period < 2.0 * spacing * 1.05,
        bool(p < risk),
    )
    wave = waves @ coefficients[2:]
    return found, np.asarray(wave - np.average(wave, weights=weight**2), dtype=float)


def _wave(x: FloatArray, frequency: float, weight: FloatArray, q: FloatArray) -> FloatArray:
    """Cosine and sine of a frequency as unit vectors square to the straight line, shape (N, 2)."""
    phase = 2.0 * np.pi * frequency * x
    columns = np.column_stack([np.cos(phase), np.sin(phase)]) * weight[:, None]
    columns -= q @ (q.T @ columns)
    units, sizes = np.linalg.qr(columns)
    # of evenly spaced scans the sine vanishes at the highest frequency
    alive = np.abs(np.diag(sizes)) > 1e-6 * float(np.linalg.norm(weight))
    return np.asarray(units * alive, dtype=float)


def _refined(
    frequency: float,
    step: float,
    x: FloatArray,
    weight: FloatArray,
    q: FloatArray,
    rest: FloatArray,
) -> tuple[float, float]:
    """The frequency of most power near ``frequency``, and the share of scatter it takes up."""
    near = np.linspace(frequency - step, frequency + step, 41)
    near = near[near > 0.0]
    shares = [float(np.sum((_wave(x, f, weight, q).T @ rest) ** 2)) for f in near]
    best = int(np.argmax(shares))
    return float(near[best]), shares[best]
