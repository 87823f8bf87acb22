"""Simulated scans a second, and what keeping the unit patterns of a stack is worth.

Run it: python benchmarks/simulation.py
"""

from __future__ import annotations

from time import perf_counter

import numpy as np

from xrdfilm.crystal import load_phase
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.simulate import SimulatedFilm, fluoride, patterns, simulate_scan


def main() -> None:
    stack = Stack(
        Layer(load_phase("YBCO"), 800.0),
        (Layer(load_phase("CeO2"), 75.0), Layer(load_phase("La2Zr2O7"), 200.0)),
        Layer(load_phase("Ni-5W"), None),
    )

    def scan(i: int) -> None:
        share = 0.15 + 1e-3 * i
        film = SimulatedFilm(
            stack=stack,
            c_axis=0.95 - share,
            a_axis=share,
            random=0.05,
            minor=(fluoride(load_phase("BaF2"), 0.1),),
        )
        simulate_scan(film, Optics(), displacement_um=float(i), seed=i)

    def median_ms(before: bool) -> float:
        times = []
        for i in range(40):
            if before:
                patterns.pattern.cache_clear()
            start = perf_counter()
            scan(i)
            times.append(perf_counter() - start)
        return 1e3 * float(np.median(times))

    scan(0)
    afresh, kept = median_ms(True), median_ms(False)
    print(f"3501 points on four layers: {kept:.1f} ms a scan, {1e3 / kept:.0f} scans a second")
    print(f"patterns computed afresh: {afresh:.1f} ms, {afresh / kept:.1f} times as long")


if __name__ == "__main__":
    main()
