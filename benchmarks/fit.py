"""How fast lines are fitted: the engine, an lmfit script of the same windows, and the floor.

    OMP_NUM_THREADS=1 python benchmarks/fit.py [scans]

Prints in one run, on one core: scans a second for scans of 3500 points with 14 windows; the same
windows by an lmfit script as a user would write it (built-in pseudo-Voigt models, K-alpha2 tied by
constraint expressions) and by a lean one (one hand-written numpy function a line, `as_lmfit`); the
ratios; read → background → fit against parsing plus one background alone; and the memory that a
block of 1000 scans takes. Times are of the processor, so other work on the machine disturbs little.
"""

from __future__ import annotations

import gc
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from lmfit.models import LinearModel, PseudoVoigtModel
from pybaselines import Baseline

from xrdfilm._typing import FloatArray
from xrdfilm.crystal.radiation import radiation
from xrdfilm.fitting.background import broad_background
from xrdfilm.fitting.engine import LineSpec, WindowSpec, compile_plan, fit_block
from xrdfilm.fitting.lmfit_model import as_lmfit, fit_counts
from xrdfilm.fitting.profile import doublet
from xrdfilm.lines import Reflection
from xrdfilm.readers import read_scan

CU = radiation()
X = np.linspace(10.0, 79.98, 3500)
SCRIPT_SCANS = 3


def windows() -> list[WindowSpec]:
    """Fourteen windows of ±1°: ten of one line (six parameters), four of two."""
    specs = []
    for number, place in enumerate(np.linspace(14.0, 76.0, 14)):
        member = (Reflection("YBCO", (0, 0, number + 1)),)
        if number < 10:
            line = LineSpec(member, place, 0.2, 0.5, mixing="free")
            specs.append(WindowSpec(place - 1, place + 1, (line,)))
        else:
            line = LineSpec(member, place, 0.2, 0.5, width="tied")
            other = LineSpec(member, place + 0.35, 0.2, 0.5, width="tied")
            specs.append(WindowSpec(place - 1, place + 1.35, (line, other)))
    return specs


def scans(specs: list[WindowSpec], number: int) -> FloatArray:
    assert CU.k_alpha2_A is not None
    rng = np.random.default_rng(0)
    ratio, share = np.array(CU.k_alpha2_A / CU.k_alpha1_A), np.array(CU.k_alpha2_share)
    expected = 150.0 + 800.0 * np.exp(-(X - 10) / 5)
    for spec in specs:
        for line in spec.lines:
            place = np.array(line.two_theta_deg + 0.03)
            shape = (np.array(0.22), np.array(0.5))
            expected = expected + rng.uniform(100, 3000) * doublet(X, place, *shape, ratio, share)
    return rng.poisson(np.broadcast_to(expected, (number, X.size))).astype(float)


def best_of(times: int, work: Callable[[], Any]) -> float:
    cost = []
    for _ in range(times):
        gc.collect()
        begin = time.process_time()
        work()
        cost.append(time.process_time() - begin)
    return min(cost)


def script_model(spec: WindowSpec) -> Any:
    model = LinearModel(prefix="ground_")
    for i in range(len(spec.lines)):
        model = model + PseudoVoigtModel(prefix=f"a{i}_") + PseudoVoigtModel(prefix=f"b{i}_")
    return model


def script_fit(model: Any, spec: WindowSpec, counts: FloatArray) -> Any:
    """One window the way a user's script fits it."""
    assert CU.k_alpha2_A is not None
    inside = (spec.low_deg <= X) & (spec.high_deg >= X)
    x, y = X[inside], counts[inside]
    level = float(np.median(y))
    p = model.make_params()
    p["ground_slope"].set(value=0.0)
    p["ground_intercept"].set(value=level)
    for i, line in enumerate(spec.lines):
        a, b = f"a{i}_", f"b{i}_"
        near = np.abs(x - line.two_theta_deg) < line.fwhm_deg
        place = float(x[near][y[near].argmax()])
        p[a + "center"].set(value=place, min=line.two_theta_deg - 0.2, max=line.two_theta_deg + 0.2)
        p[a + "sigma"].set(value=line.fwhm_deg / 2, min=0.02, max=0.5)
        p[a + "amplitude"].set(value=(y[near].max() - level) * line.fwhm_deg)
        p[a + "fraction"].set(value=0.5, min=0, max=1, vary=line.mixing == "free")
        if i:
            p[a + "sigma"].set(expr="a0_sigma")
        ratio = CU.k_alpha2_A / CU.k_alpha1_A
        p[b + "center"].set(expr=f"360/pi*arcsin(sin({a}center*pi/360)*{ratio})")
        p[b + "sigma"].set(expr=a + "sigma")
        p[b + "fraction"].set(expr=a + "fraction")
        p[b + "amplitude"].set(expr=f"0.5*{a}amplitude")
    return model.fit(y, p, x=x, weights=1 / np.sqrt(np.maximum(y, 1)), scale_covar=False)


def main() -> None:
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    specs = windows()
    counts = scans(specs, number)
    plan = compile_plan(X, specs, CU)
    fit_block(plan, counts[:20])
    engine = best_of(3, lambda: fit_block(plan, counts)) / number
    print(f"{X.size} points, {len(specs)} windows, one core")
    print(f"engine                       {engine * 1e3:9.3f} ms/scan  {1 / engine:9.0f} scans/s")

    models = [script_model(spec) for spec in specs]
    lean = [as_lmfit(spec, CU, X) for spec in specs]
    few = counts[:SCRIPT_SCANS]
    costs = {
        "lmfit script": lambda y: [script_fit(m, s, y) for m, s in zip(models, specs, strict=True)],
        "lmfit, lean function": lambda y: [fit_counts(w, X, y, rounds=1) for w in lean],
        "same, Poisson likelihood": lambda y: [fit_counts(w, X, y) for w in lean],
    }
    for name, work in costs.items():
        cost = best_of(2, lambda work=work: [work(y) for y in few]) / SCRIPT_SCANS
        print(
            f"{name:28s} {cost * 1e3:9.1f} ms/scan  {1 / cost:9.1f} scans/s   "
            f"engine is {cost / engine:6.0f} times as fast"
        )

    chain(plan, counts[: min(number, 200)])

    tracemalloc.start()
    block = fit_block(plan, counts)
    peak = tracemalloc.get_traced_memory()[1] / 2**20
    tracemalloc.stop()
    held = (peak + counts.nbytes / 2**20) * 1000 / len(block)
    print(f"memory for a block of 1000 scans, counts included: {held:.0f} MiB (goal < 1024)")


def chain(plan: Any, counts: FloatArray) -> None:
    """Read, background and fit against parsing plus one background."""
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder) / f"scan{i:04d}.xy" for i in range(len(counts))]
        for path, scan in zip(paths, counts, strict=True):
            rows = zip(X.tolist(), scan.tolist(), strict=True)
            path.write_text("".join(f"{a:.3f} {b:.0f}\n" for a, b in rows))

        def floor_of(background: Callable[[FloatArray], Any]) -> float:
            return best_of(3, lambda: [background(np.loadtxt(path)[:, 1]) for path in paths]) / len(
                paths
            )

        def whole() -> None:
            read = [read_scan(path) for path in paths]
            for scan in read:
                broad_background(scan.axis_deg, scan.counts)
            fit_block(plan, np.array([scan.counts for scan in read]))

        cost = best_of(3, whole) / len(paths)
        baseline = Baseline(X)
        ours = floor_of(lambda y: broad_background(X, y))
        plain = floor_of(lambda y: baseline.arpls(y, lam=1e6))
        reading = best_of(3, lambda: [read_scan(path) for path in paths]) / len(paths)
        print(
            f"read, background, fit        {cost * 1e3:9.3f} ms/scan  (reading {reading * 1e3:.3f})"
        )
        for name, floor in (("this background", ours), ("arpls", plain)):
            print(
                f"floor: numpy.loadtxt + {name:16s} {floor * 1e3:9.3f} ms   "
                f"chain is {cost / floor:5.2f} times it (goal 2.5)"
            )


if __name__ == "__main__":
    main()
