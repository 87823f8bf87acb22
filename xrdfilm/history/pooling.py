"""One figure for a run out of those of its films.

Random-effects mean: films scatter by more than their own uncertainty, so each weighs
1/(u² + τ²), with τ² from the excess scatter (DerSimonian & Laird, Control. Clin. Trials 7 (1986)
177, the moment estimate; formula from memory, checked by simulation in the tests).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import FloatArray


@dataclass(frozen=True, slots=True)
class Pooled:
    """Mean of a run's films: ``centre``, its standard uncertainty, and the films' own scatter.

    ``between`` is the standard deviation of the films beyond their uncertainty; ``lowest`` and
    ``highest`` are the extreme films. All in the unit of the quantity.
    """

    films: int
    centre: float
    sigma: float
    between: float
    lowest: float
    highest: float


def pool(centre: FloatArray, own_sigma: FloatArray) -> Pooled | None:
    """The mean of films with ``centre`` and ``own_sigma``, shape (N,); None if none is known.

    A film whose uncertainty is not known (NaN) counts as exact, its error then shows as scatter.
    """
    kept = np.isfinite(centre)
    if not kept.any():
        return None
    x = centre[kept]
    u = np.nan_to_num(own_sigma[kept], nan=0.0, posinf=0.0)
    n = int(x.size)
    between = excess_scatter(x, u) if n > 1 else 0.0
    variance = u * u + between * between
    if n == 1 or not np.all(variance > 0.0):
        weights = np.full(n, 1.0 / n)
        sigma = float(np.sqrt(np.sum(weights**2 * variance)))
    else:
        weights = (1.0 / variance) / np.sum(1.0 / variance)
        sigma = float(np.sqrt(1.0 / np.sum(1.0 / variance)))
    return Pooled(n, float(weights @ x), sigma, between, float(x.min()), float(x.max()))


def excess_scatter(x: FloatArray, u: FloatArray) -> float:
    """Standard deviation of ``x`` beyond its uncertainties ``u``, shape (N,), N >= 2.

    The moment estimate of DerSimonian and Laird; 0 where x scatters no more than u allows.
    """
    if np.any(u <= 0.0):  # weights would be infinite: the plain moment
        spare = float(np.var(x, ddof=1) - np.mean(u * u))
        return float(np.sqrt(max(spare, 0.0)))
    w = 1.0 / (u * u)
    total = w.sum()
    misfit = float(w @ (x - (w @ x) / total) ** 2)
    freedom = x.size - 1
    return float(np.sqrt(max((misfit - freedom) / (total - (w @ w) / total), 0.0)))
