"""How the growth rate goes with water vapour and total pressure, over several series.

    ln r = ln r0 + m ln p(H2O) + n ln P

fitted by weighted least squares; series scatter among one another beyond their own intervals
(other furnaces, lots, flows), and this scatter is estimated along (Paule and Mandel, J. Res. Natl.
Bur. Stand. 87 (1982) 377, from memory) and enters the intervals with Student's t (Knapp and
Hartung, Statist. Med. 22 (2003) 2693, from memory).

The literature's line: r as the square root of p(H2O) (Honjo et al., IEEE Trans. Appl. Supercond.
13 (2003) 2516) and as the inverse of P (Teranishi et al., Physica C 412-414 (2004), volume from
memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtri, stdtrit

from xrdfilm._typing import FloatArray
from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import DEFAULT_LEVEL, Estimate
from xrdfilm.numbers import fixed, number

LITERATURE: Mapping[str, float] = {"water_vapour_mbar": 0.5, "total_pressure_mbar": -1.0}
WORDS = {"water_vapour_mbar": "water vapour", "total_pressure_mbar": "total pressure"}
LEAST_RANGE = 1.2
"""A pressure that varies by less than this factor over the series tells no exponent."""


@dataclass(frozen=True, slots=True)
class RatePoint:
    """Growth rate of one series with its 95 % interval, and the gas it grew in (mbar)."""

    rate_nm_s: float
    low_nm_s: float
    high_nm_s: float
    gas: Mapping[str, float]
    name: str = ""

    @property
    def log_sigma(self) -> float:
        """Standard uncertainty of ln rate, from the interval."""
        return float(np.log(self.high_nm_s / self.low_nm_s) / (2.0 * ndtri(0.975)))


@dataclass(frozen=True, slots=True, eq=False)
class RateLaw:
    """Exponents by the gas' name with intervals; ``log_rate0`` is ln r at all pressures 1 mbar.

    ``scatter`` is the relative scatter between series beyond their own intervals; ``used`` are
    the points, ``left_out`` says why a pressure has no exponent. ``covariance``, shape (1 + K,
    1 + K), is that of ``log_rate0`` and the K exponents.
    """

    exponents: Mapping[str, Estimate]
    log_rate0: float
    scatter: float
    degrees_of_freedom: int
    used: tuple[RatePoint, ...]
    left_out: Mapping[str, str]
    text: str
    covariance: FloatArray = field(repr=False)

    def rate_nm_s(self, gas: Mapping[str, float]) -> float:
        """The law's rate in this gas."""
        logs = [e.estimate * np.log(gas[k]) for k, e in self.exponents.items() if e.estimate]
        return float(np.exp(self.log_rate0 + sum(logs)))


def rate_law(
    points: Sequence[RatePoint],
    gases: Sequence[str] = tuple(LITERATURE),
    *,
    level: float = DEFAULT_LEVEL,
) -> RateLaw:
    """Exponents of the rate over series; raises CannotTellError where the series are too few."""
    left_out: dict[str, str] = {}
    varied: list[str] = []
    for gas in gases:
        values = [p.gas.get(gas) for p in points]
        word = WORDS.get(gas, gas)
        if any(v is None for v in values):
            missing = [p.name or str(i + 1) for i, p in enumerate(points) if p.gas.get(gas) is None]
            left_out[gas] = f"{word} is not stated for {', '.join(missing)}"
            continue
        known = [float(v) for v in values if v is not None]
        if not known or min(known) <= 0.0:
            left_out[gas] = f"{word} must be above 0 in every series"
        elif max(known) / min(known) < LEAST_RANGE:
            left_out[gas] = (
                f"{word} is {number(min(known))} to {number(max(known))} mbar throughout, "
                "so no exponent shows"
            )
        else:
            varied.append(gas)
    if not varied:
        raise CannotTellError("no exponent can be told: " + "; ".join(left_out.values()))
    count = len(varied) + 1
    if len(points) <= count:
        raise CannotTellError(
            f"{len(points)} series for {len(varied)} exponents: at least {count + 1} are needed"
        )
    y = np.log([p.rate_nm_s for p in points])
    own = np.array([p.log_sigma for p in points])
    X = np.column_stack(
        [np.ones(len(points)), *(np.log([p.gas[g] for p in points]) for g in varied)]
    )
    if np.linalg.cond(X - np.array([0.0, *X[:, 1:].mean(axis=0)])) > 1e3:
        raise CannotTellError(
            "water vapour and total pressure were changed together, so their exponents cannot be "
            "told apart; vary them one by one"
        )
    dof = len(points) - count
    scatter2 = _scatter(X, y, own, dof)
    beta, covariance, chi2 = _solve(X, y, own**2 + scatter2)
    covariance = covariance * (chi2 / dof)
    t = float(stdtrit(dof, 0.5 + level / 2.0))
    exponents: dict[str, Estimate] = {}
    for i, gas in enumerate(varied, start=1):
        value, sigma = float(beta[i]), float(np.sqrt(covariance[i, i]))
        exponents[gas] = Estimate(value, value - t * sigma, value + t * sigma, level, value, sigma)
    return RateLaw(
        exponents,
        float(beta[0]),
        float(np.sqrt(scatter2)),
        dof,
        tuple(points),
        left_out,
        _text(exponents),
        covariance,
    )


def _solve(
    X: FloatArray, y: FloatArray, variance: FloatArray
) -> tuple[FloatArray, FloatArray, float]:
    normal = X.T @ (X / variance[:, None])
    covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    beta = covariance @ (X.T @ (y / variance))
    return beta, covariance, float(np.sum((y - X @ beta) ** 2 / variance))


def _scatter(X: FloatArray, y: FloatArray, own: FloatArray, dof: int) -> float:
    """Variance between series that brings chi-square down to its degrees of freedom, or 0."""

    def excess(v: float) -> float:
        return _solve(X, y, own**2 + v)[2] - dof

    if excess(0.0) <= 0.0:
        return 0.0
    top = float(np.var(y)) + 1.0
    while excess(top) > 0.0:
        top *= 4.0
    return float(brentq(excess, 0.0, top, xtol=1e-12))


def _text(exponents: Mapping[str, Estimate]) -> str:
    parts = []
    for gas, e in exponents.items():
        assert e.value is not None
        assert e.low is not None
        assert e.high is not None
        expected = LITERATURE.get(gas)
        told = (
            f"rate goes as {WORDS.get(gas, gas)} to the power {fixed(e.value, 2)} "
            f"({fixed(e.low, 2)} to {fixed(e.high, 2)})"
        )
        if expected is not None:
            agree = "agrees with" if e.low <= expected <= e.high else "differs from"
            told += f", which {agree} the literature's {number(expected)}"
        parts.append(told)
    text = "; ".join(parts)
    return text[:1].upper() + text[1:] + "."
