"""Scan: an axis, counts, their uncertainty, and what is known about how they were taken."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Literal

import numpy as np

from xrdfilm._typing import FloatArray

Axis = Literal["two_theta", "omega", "phi", "chi", "reflectivity", "unknown"]
"""What is scanned: coupled 2θ, rocking ω, azimuth φ, tilt χ, 2θ at grazing angles, or not known."""

Action = Literal["noted", "repaired", "flagged", "refused"]


@dataclass(frozen=True, slots=True)
class Finding:
    """Something a check found in a scan: a stable code, its weight, and a sentence.

    ``action`` tells what was done about it: "noted" (an assumption, told), "repaired" (and
    told), "flagged" (a figure may be poor), or "refused". The codes are in
    `xrdfilm.readers.scan_findings.FINDINGS`.
    """

    code: str
    action: Action
    text: str


@dataclass(frozen=True)
class Scan:
    """One measured scan, ascending in its axis.

    ``axis_deg``, ``counts`` and ``sigma`` have shape (N,). ``counts`` are counts as registered
    (rates are turned back with the step time), ``sigma`` their standard uncertainty where the
    file gives one, else None: then they are Poisson. ``count_scale`` is the number of registered
    counts one unit of the intensity column stands for (1 for counts; step time for counts/s).
    ``poisson`` is False where intensities were normalised or corrected, so that counting
    statistics no longer hold. ``meta`` holds what the header says, in the file's own words.
    """

    axis_deg: FloatArray
    counts: FloatArray
    sigma: FloatArray | None = None
    axis: Axis = "two_theta"
    wavelength_A: float | None = None
    anode: str | None = None
    step_time_s: float | None = None
    count_scale: float = 1.0
    poisson: bool = True
    path: Path | None = None
    sha256: str | None = None
    format: str = "array"
    meta: Mapping[str, str] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    def __len__(self) -> int:
        return int(self.axis_deg.size)

    @cached_property
    def step_deg(self) -> float:
        """Median step of the axis."""
        return float(np.median(np.diff(self.axis_deg)))

    def uncertainty(self) -> FloatArray:
        """Standard uncertainty of each point: the file's, else from counting; shape (N,)."""
        if self.sigma is not None:
            return self.sigma
        return np.asarray(np.sqrt(np.maximum(self.counts, 1.0)))
