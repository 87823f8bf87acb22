"""Relative powder intensities, computed and as handbooks print them.

They serve to recognise a phase and to check the structure factors. On an epitaxial film they are
wrong by two to five decades: no fraction may be taken from them.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache

import numpy as np

from xrdfilm._typing import FloatArray, Hkl
from xrdfilm.crystal import LineList, reference_peaks_dir
from xrdfilm.intensity.optics import Optics, polarisation


@dataclass(frozen=True, slots=True)
class HandbookLine:
    """One printed line: spacing, intensity against 100, source, and whether that was opened."""

    phase: str
    hkl: Hkl
    d_A: float
    intensity: float
    source: str
    standing: str
    read_in: str


def powder_intensities(lines: LineList, optics: Optics) -> FloatArray:
    """Areas of the lines of an untextured, thick powder, the strongest 100; shape (N,).

    m |F|² P / (sin θ sin 2θ), one row a family: families that coincide add up in a scan. NaN
    where the atoms are unknown.
    """
    angle = np.radians(lines.two_theta_deg)
    lorentz = 1.0 / (np.sin(angle / 2.0) * np.sin(angle))
    area = (
        lines.multiplicity * lines.f_squared * polarisation(lines.two_theta_deg, optics) * lorentz
    )
    top = area.max(initial=0.0)
    return np.asarray(100.0 * area / top if top > 0.0 else area, dtype=float)


@cache
def handbook_lines() -> tuple[HandbookLine, ...]:
    """All printed powder lines that are shipped (``reference_peaks/powder_tables.csv``)."""
    with (reference_peaks_dir() / "powder_tables.csv").open(encoding="utf-8", newline="") as file:
        return tuple(
            HandbookLine(
                row["phase"],
                (int(row["h"]), int(row["k"]), int(row["l"])),
                float(row["d_A"]),
                float(row["intensity"]),
                row["source"],
                row["standing"],
                row["read_in"],
            )
            for row in csv.DictReader(file)
        )


def handbook_of(phase_key: str) -> dict[Hkl, HandbookLine]:
    """Printed lines of one phase by hkl; a verified row goes before one from memory."""
    rows = [line for line in handbook_lines() if line.phase == phase_key]
    rows.sort(key=lambda line: line.standing == "verified")
    return {line.hkl: line for line in rows}
