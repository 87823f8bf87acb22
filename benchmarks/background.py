"""What broad backgrounds cost and miss: ours beside pybaselines' methods on simulated scans.

Prints, for stretches of a scan of known background, the mean error in standard deviations of one
point and its scatter from scan to scan. "broad 1" and "broad 2" lie under lines of 1.5° and 2°
FWHM whose tops stand 1.9 and 1.6 standard deviations high: an error of that size means that the
line was eaten. The feet of strong Lorentzian lines count as error here, for every method.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from pybaselines import Baseline

from xrdfilm._typing import FloatArray
from xrdfilm.fitting.background import broad_background
from xrdfilm.fitting.profile import pseudo_voigt

STRETCHES = {
    "low foot": (10, 14),
    "hump": (24, 28),
    "broad 1": (32.3, 33.5),
    "flat": (41, 44),
    "broad 2": (65.2, 66.8),
    "end": (76, 80),
}
LINES = ((22.8, 3000, 0.2), (38.5, 9000, 0.2), (46.7, 20000, 0.25), (55.0, 2000, 0.3))


def main() -> None:
    x = np.arange(10, 80, 0.02)
    true = 200 + 3000 * np.exp(-(x - 10) / 4) + 60 * np.exp(-(((x - 25) / 9) ** 2))
    expected = true + sum(area * pseudo_voigt(x, place, width, 0.5) for place, area, width in LINES)
    expected = expected + 60 * (pseudo_voigt(x, 32.9, 1.5, 0.3) + pseudo_voigt(x, 66, 2.0, 0.3))
    counts = np.random.default_rng(3).poisson(expected, size=(20, x.size)).astype(float)
    full = Baseline(x)
    methods: dict[str, Callable[[FloatArray], FloatArray]] = {
        "broad_background": lambda y: broad_background(x, y).values,
        "arpls": lambda y: full.arpls(y, lam=1e7)[0],
        "asls": lambda y: full.asls(y, lam=1e7, p=0.01)[0],
        "airpls": lambda y: full.airpls(y, lam=1e6)[0],
        "snip": lambda y: full.snip(y, max_half_window=100, decreasing=True, smooth_half_window=5)[
            0
        ],
    }
    print(f"{'method':18s}{'ms/scan':>8s}  " + "".join(f"{name:>14s}" for name in STRETCHES))
    for name, method in methods.items():
        begin = time.perf_counter()
        found = np.array([method(scan) for scan in counts])
        cost = (time.perf_counter() - begin) / len(counts) * 1e3
        off = (found - true) / np.sqrt(true)
        cells = []
        for low, high in STRETCHES.values():
            here = off[:, (x > low) & (x < high)].mean(axis=1)
            cells.append(f"{here.mean():+8.2f}±{here.std():4.2f}")
        print(f"{name:18s}{cost:8.2f}  " + "".join(f"{cell:>14s}" for cell in cells))


if __name__ == "__main__":
    main()
