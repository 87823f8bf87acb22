"""Adjustments: what a user who looked at a fit wants done otherwise, and who says so and why.

Excluded lines are still fitted where they stand beside others, but no figure rests on them.
Points of excluded ranges take part in nothing. A moved line is looked for where the user saw it.
They are stated in ``[adjust]`` of run.toml and travel with the premises into every step.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray, Hkl
from xrdfilm.lines import Reflection
from xrdfilm.scan import Scan

FARTHEST_MOVE_DEG = 1.0
"""A line that is to be looked for further from its place is another line."""


@dataclass(frozen=True, slots=True)
class Adjustments:
    """What is left out, moved or set; the default changes nothing.

    ``moved`` holds a line and the measured 2θ (K-alpha1, degrees) to look for it. ``ranges_deg``
    are stretches (low, high) of the measured axis. ``widest_line_deg`` is the widest line (FWHM)
    that the broad background must leave standing: larger is stiffer. ``background_degree`` is the
    degree of the background under each fitted window.
    """

    excluded: frozenset[Reflection] = frozenset()
    moved: tuple[tuple[Reflection, float], ...] = ()
    ranges_deg: tuple[tuple[float, float], ...] = ()
    widest_line_deg: float | None = None
    background_degree: int | None = None
    by: str | None = None
    why: str | None = None

    def __bool__(self) -> bool:
        """Whether anything at all is stated."""
        return self != NO_ADJUSTMENTS

    def excludes(self, members: Iterable[Reflection]) -> bool:
        """Whether a line of these members is excluded."""
        return not self.excluded.isdisjoint(members)

    def place_of(self, members: Iterable[Reflection]) -> float | None:
        """Where the user wants a line of these members looked for."""
        wanted = dict(self.moved)
        return next((wanted[m] for m in members if m in wanted), None)

    def hides(self, two_theta_deg: float) -> bool:
        """Whether a place lies in an excluded range."""
        return any(low <= two_theta_deg <= high for low, high in self.ranges_deg)

    def excluded_hkl(self, phase: str) -> frozenset[Hkl]:
        """The excluded lines of one phase."""
        return frozenset(line.hkl for line in self.excluded if line.phase == phase)

    def kept_points(self, axis_deg: FloatArray) -> BoolArray:
        """Which points of an axis (N,) lie outside the excluded ranges, (N,)."""
        keep = np.ones(axis_deg.shape, dtype=bool)
        for low, high in self.ranges_deg:
            keep &= (axis_deg < low) | (axis_deg > high)
        return keep

    def bridged(self, scan: Scan) -> Scan:
        """The scan with straight lines across the excluded ranges, for what needs every point."""
        keep = self.kept_points(scan.axis_deg)
        if keep.all() or not keep.any():
            return scan
        counts = np.interp(scan.axis_deg, scan.axis_deg[keep], scan.counts[keep])
        return replace(scan, counts=np.where(keep, scan.counts, counts))

    def unknown(self, shown: Iterable[Reflection]) -> tuple[str, ...]:
        """Sentences about lines that are stated here but that the stack does not show."""
        known = set(shown)
        named = [*self.excluded, *(line for line, _ in self.moved)]
        return tuple(
            f"[adjust] names {line}, which is no line of the stated layers in this range"
            for line in sorted(set(named) - known, key=str)
        )

    def record(self) -> dict[str, Any]:
        """Plain values for results.json; empty where nothing is stated."""
        values: dict[str, Any] = {
            "excluded_lines": sorted(str(line) for line in self.excluded),
            "moved_lines": [f"{line} to {place:g}°" for line, place in self.moved],
            "excluded_ranges_deg": [list(pair) for pair in self.ranges_deg],
            "widest_line_deg": self.widest_line_deg,
            "background_degree": self.background_degree,
            "by": self.by,
            "why": self.why,
        }
        return {key: value for key, value in values.items() if value not in (None, [])}


NO_ADJUSTMENTS = Adjustments()
