"""How long line lists take, and how far powder intensities lie from printed ones.

    python benchmarks/linelist.py

Prints the time of the first call in a process (it opens the tables of the elements), of a first
call for each further phase, and of a repeated one; then the ratio to an atom-by-atom calculation
of the same numbers in plain Python. The target: a line list of YBCO to 120° under 20 ms once the
tables are open.
"""

from __future__ import annotations

import cmath
import math
import time
from collections.abc import Callable

import numpy as np

from xrdfilm.crystal import (
    Phase,
    family_members,
    line_list,
    load_phase,
    phase_keys,
    reference_peaks_dir,
)
from xrdfilm.crystal.elements import dispersion, form_factor
from xrdfilm.crystal.radiation import radiation
from xrdfilm.crystal.structure import site_copies
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.powder_tables import handbook_lines, powder_intensities

RAYS = radiation("Cu")


def seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def fresh(phase: Phase) -> float:
    """Best of five, with the cache of line lists emptied before each."""
    times = []
    for _ in range(5):
        line_list.cache_clear()
        times.append(seconds(lambda: line_list(phase, RAYS, two_theta_max_deg=120.0)))
    return min(times)


def atom_by_atom(phase: Phase) -> list[float]:
    """|F|² of the same list with loops over reflections and atoms."""
    lines = line_list(phase, RAYS, two_theta_max_deg=120.0)
    atoms = [
        (site, place)
        for site, copies in zip(phase.sites, site_copies(phase), strict=True)
        for place in copies
    ]
    result = []
    for hkl, d_A in zip(lines.hkl, lines.d_A, strict=True):
        s = 0.5 / float(d_A)
        total = 0j
        for site, place in atoms:
            f = form_factor(site.element, np.array([s]))[0] + dispersion(site.element, RAYS.mean_A)
            damping = site.occupancy * math.exp(-site.b_iso_A2 * s * s)
            total += f * damping * cmath.exp(2j * math.pi * float(hkl @ place))
        result.append(abs(total) ** 2)
    return result


def speed() -> None:
    ybco = load_phase("YBCO")
    first = seconds(lambda: line_list(ybco, RAYS, two_theta_max_deg=120.0))
    again = seconds(lambda: line_list(ybco, RAYS, two_theta_max_deg=120.0))
    calm = fresh(ybco)
    print(f"YBCO to 120 deg, first call in the process {1e3 * first:8.1f} ms")
    print(f"YBCO to 120 deg, tables open               {1e3 * calm:8.2f} ms   target 20 ms")
    print(f"YBCO to 120 deg, repeated                  {1e6 * again:8.1f} µs")
    slow = seconds(lambda: atom_by_atom(ybco))
    print(f"ratio of a loop over atoms to the list     {slow / calm:8.1f}")
    members = sum(
        len(family_members(ybco, (int(h), int(k), int(m))))
        for h, k, m in line_list(ybco, RAYS, two_theta_max_deg=120.0).hkl
    )
    print(f"reflections on the sphere                  {members:8d}")
    all_phases = {
        key: fresh(load_phase(key)) for key in phase_keys() if not load_phase(key).cell_only
    }
    slowest = sorted(all_phases, key=lambda key: -all_phases[key])[:4]
    print(f"all {len(all_phases)} phases                              "
          f"{1e3 * sum(all_phases.values()):8.1f} ms")  # fmt: skip
    print("slowest: " + ", ".join(f"{key} {1e3 * all_phases[key]:.1f} ms" for key in slowest))


def deviations() -> None:
    """Computed against printed powder intensities (strongest 100), verified rows only."""
    print(f"\nprinted intensities of {reference_peaks_dir().name}, verified rows")
    print("phase   hkl       printed  computed  difference")
    optics = Optics(radiation=RAYS)
    worst: dict[str, list[float]] = {}
    for row in handbook_lines():
        if row.standing != "verified":
            continue
        lines = line_list(load_phase(row.phase), RAYS, two_theta_max_deg=160.0)
        area = powder_intensities(lines, optics)
        together = np.abs(lines.d_A - lines.d_A[lines.index(row.hkl)]) < 1e-6
        computed = float(area[together].sum())
        worst.setdefault(row.phase, []).append(computed - row.intensity)
        hkl = " ".join(map(str, row.hkl))
        print(f"{row.phase:7s} {hkl:9s} {row.intensity:7.0f} {computed:9.1f}"
              f" {computed - row.intensity:+11.1f}")  # fmt: skip
    for phase, differences in worst.items():
        root = math.sqrt(sum(x * x for x in differences) / len(differences))
        print(f"{phase}: root mean square {root:.1f}, largest {max(map(abs, differences)):.1f}")


if __name__ == "__main__":
    speed()
    deviations()
