"""Invented runs of any length for the benchmarks of long runs: a few hundred scans, linked.

Each scan has 3501 points (10 to 80°, 0.02°) of the demo's tape, with its own shares, displacement
and noise.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from xrdfilm.demo import demo_stack
from xrdfilm.intensity.optics import Optics
from xrdfilm.runs.gather import PlannedRun, gather_runs
from xrdfilm.simulate import SimulatedFilm, simulate_scan
from xrdfilm.simulate.files import write_scan

RUN = """
[run]
id = "long"
[optics]
anode = "Cu"
divergence_deg = 0.5
axial_acceptance_deg = 2.3
axial = "apertures"
step_time_s = 1.0
[stack]
film = "YBCO"
thickness_nm = 800
substrate = "Ni-5W"
buffers = [{phase = "CeO2", thickness_nm = 75}, {phase = "La2Zr2O7", thickness_nm = 200}]
[assumptions]
c_axis_mosaic_deg = 4.5
[limits]
file = "limits.toml"
[films]
coupled = "*.xy"
position_from = "p(?P<position_m>\\\\d+)"
"""
LIMITS = '[[limit]]\nquantity = "a_axis_fraction"\nmax = 0.1\n'


def write_scans(folder: Path, number: int) -> list[Path]:
    """That many scans, each simulated."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(1)
    stack, optics = demo_stack(), Optics(axial_stated=True, step_time_s=1.0)
    paths = []
    for i in range(number):
        a, r = rng.uniform(0.0, 0.3), rng.uniform(0.0, 0.06)
        film = SimulatedFilm(
            stack=stack, c_axis=1.0 - a - r, a_axis=a, random=r,
            c_mosaic_fwhm_deg=4.5, a_mosaic_fwhm_deg=4.5,
        )  # fmt: skip
        scan, _ = simulate_scan(film, optics, seed=i, displacement_um=rng.normal(0.0, 40.0))
        paths.append(folder / f"scan{i:04d}.xy")
        write_scan(paths[-1], scan)
    return paths


def write_run(folder: Path, scans: list[Path], number: int) -> PlannedRun:
    """A run of that many films, whose files are hard links to the scans in turn."""
    folder.mkdir(parents=True, exist_ok=True)
    for i in range(number):
        os.link(scans[i % len(scans)], folder / f"p{i:06d}.xy")
    (folder / "run.toml").write_text(RUN)
    (folder / "limits.toml").write_text(LIMITS)
    (planned,) = gather_runs([folder])
    return planned
