"""Time of the peak search and of the coarse shift, beside the reading of the scan's counts.

python benchmarks/peak_search.py
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from lattice_coverage import OPTICS, draw_film, expected_layers, stack_on

from xrdfilm.lattice.identify import coarse_shift, find_peaks, rough_background


def milliseconds(work: Callable[[], object], repeats: int = 30) -> float:
    work()
    spent = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        spent.append(time.perf_counter() - start)
    return 1e3 * float(np.median(spent))


if __name__ == "__main__":
    for substrate in ("SrTiO3", "Ni-5W"):
        scan, _, _ = draw_film(np.random.default_rng(1), substrate, 80.0)
        stack = stack_on(substrate)
        expected = expected_layers(stack, 80.0)
        base = rough_background(scan.axis_deg, scan.counts)
        peaks = find_peaks(scan, base, radiation=OPTICS.radiation)
        search = milliseconds(lambda s=scan, b=base: find_peaks(s, b, radiation=OPTICS.radiation))
        shift = milliseconds(
            lambda p=peaks, e=expected: coarse_shift(p, e, OPTICS.radiation.k_alpha1_A)
        )
        sort = milliseconds(lambda s=scan: np.sort(s.counts))
        print(
            f"{substrate}: {len(scan)} points, {len(peaks)} peaks in {search:.2f} ms "
            f"({search / sort:.0f} times sorting the counts), coarse shift in {shift:.2f} ms"
        )
