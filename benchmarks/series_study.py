"""Calibration of the growth fits on simulated series: coverage, incubation, model choice.

    python benchmarks/series_study.py [series] [seed]

Each series has 8 to 12 films at times that cover the whole conversion and a little more, each
with its own uncertainty; truth is drawn anew for each. Printed: how often the 95 % intervals
hold the truth, whether the incubation is ever put to 0, and which model is told how often, for
good films (σ 0.01) and usual ones (σ 0.04).
"""

from __future__ import annotations

import sys
import time

import numpy as np

from xrdfilm.kinetics.compare import compare_models
from xrdfilm.kinetics.fit import fit_growth
from xrdfilm.kinetics.models import FRONT, MODELS, GrowthModel
from xrdfilm.kinetics.series import Point, Series

THICKNESS_NM = 1000.0


def simulate(
    model: GrowthModel, rng: np.random.Generator, *, sigma: float | None = None, shared: float = 0.0
) -> tuple[Series, float, float]:
    """A series with its true t0 and span, in s."""
    count = int(rng.integers(8, 13))
    span, t0 = float(rng.uniform(600, 3600)), float(rng.uniform(60, 1200))
    exponent = float(rng.uniform(1.5, 3.5)) if model.has_exponent else None
    n = None if exponent is None else np.asarray(exponent)
    end = t0 + span * float(model.time_at(0.98, n))
    first = rng.uniform(0.3, 0.9) * t0
    times = np.sort(np.linspace(first, 1.1 * end, count) + rng.uniform(-0.02, 0.02, count) * end)
    spread = np.full(count, sigma) if sigma else rng.uniform(0.01, 0.06, count)
    truth = model.conversion(times, t0, span, exponent)
    scale = 1.0 + shared * rng.normal()
    seen = truth * scale + spread * rng.normal(size=count)
    points = [Point(t, y, s) for t, y, s in zip(times, seen, spread, strict=True)]
    return (
        Series.of(points, side="film", thickness_nm=THICKNESS_NM, shared_sigma=shared),
        t0,
        span,
    )


def coverage(count: int, seed: int, shared: float) -> None:
    rng = np.random.default_rng(seed)
    hits = {"rate": 0, "incubation": 0, "end": 0}
    at_zero, incubations = 0, []
    begun = time.perf_counter()
    for _ in range(count):
        series, t0, span = simulate(FRONT, rng, shared=shared)
        fit = fit_growth(series, FRONT)
        for name, estimate, truth in (
            ("rate", fit.speed_nm_s, THICKNESS_NM / span),
            ("incubation", fit.incubation_s, t0),
            ("end", fit.end_s, t0 + 0.99 * span),
        ):
            assert estimate is not None
            low = -np.inf if estimate.low is None else estimate.low
            high = np.inf if estimate.high is None else estimate.high
            hits[name] += low <= truth <= high
        at_zero += fit.t0_s == 0.0
        incubations.append(fit.t0_s / t0)
    took = time.perf_counter() - begun
    print(f"front, shared scale σ {shared:g}: {count} series, {took / count * 1e3:.0f} ms each")
    for name, hit in hits.items():
        print(f"  {name:10s} in its 95 % interval: {100 * hit / count:.1f} %")
    print(f"  incubation exactly 0: {at_zero}; median over truth: {np.median(incubations):.3f}")


def choice(count: int, seed: int, sigma: float) -> None:
    rng = np.random.default_rng(seed)
    print(f"which model is told, σ = {sigma:g} ({count} series a row)")
    names = [m.name for m in MODELS]
    print("  truth       " + "".join(f"{n:>12s}" for n in (*names, "cannot tell")))
    for truth in MODELS:
        told = dict.fromkeys((*names, "cannot tell"), 0)
        for _ in range(count):
            series, _, _ = simulate(truth, rng, sigma=sigma)
            found = compare_models(series).preferred
            told["cannot tell" if found is None else found.name] += 1
        cells = "".join(f"{100 * n / count:11.0f}%" for n in told.values())
        print(f"  {truth.name:12s}{cells}")


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    coverage(count, seed, 0.0)
    coverage(count, seed + 1, 0.05)
    for sigma in (0.01, 0.04):
        choice(max(10, count // 10), seed + 2, sigma)


if __name__ == "__main__":
    main()
