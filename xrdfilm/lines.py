"""Measured lines: what the fit hands to alignment, lattice, orientation and fluoride.

A measured line is one reflection, or a blend of several that no fit can hold apart; its area is
the net area of K-alpha1 and K-alpha2 together, in counts times degrees of 2θ, and may be negative
where nothing shows. The areas of one scan share a covariance matrix, because neighbouring lines
and their background are fitted together.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from xrdfilm._typing import FloatArray, Hkl


@dataclass(frozen=True, slots=True, order=True)
class Reflection:
    """A reflection of a phase: the phase's key in reference_peaks and its Miller indices."""

    phase: str
    hkl: Hkl

    def __str__(self) -> str:
        return _label(self.phase, self.hkl)


@lru_cache(maxsize=4096)
def _label(phase: str, hkl: Hkl) -> str:
    h, k, l = hkl  # noqa: E741
    joined = f"{h}{k}{l}" if all(0 <= i <= 9 for i in hkl) else f"{h} {k} {l}"
    return f"{phase} ({joined})"


@dataclass(frozen=True, slots=True)
class MeasuredLine:
    """One fitted line; angles are K-alpha1 positions in degrees of 2θ as measured.

    ``expected_deg`` is the place computed from the cell (after alignment), ``two_theta_deg`` the
    fitted one (equal to the expected place shifted by the alignment where ``place`` is "forced").
    ``members`` are the reflections the line may hold, the strongest expected first.
    ``significance`` is area over its standard uncertainty under the hypothesis of no line.
    ``decision_area`` and ``detection_area`` are Currie's L_C and L_D in counts·deg.
    ``flags`` are keys of `xrdfilm.fitting.engine.FLAGS`.
    """

    members: tuple[Reflection, ...]
    place: str  # "free", "tied" or "forced"
    expected_deg: float
    two_theta_deg: float
    two_theta_sigma_deg: float
    area_counts_deg: float
    area_sigma_counts_deg: float
    fwhm_deg: float
    fwhm_sigma_deg: float
    lorentz_fraction: float
    significance: float
    decision_area: float
    detection_area: float
    background_counts: float
    flags: tuple[str, ...] = ()

    @property
    def reflection(self) -> Reflection:
        """The strongest expected member."""
        return self.members[0]


@dataclass(frozen=True, slots=True)
class MeasuredLines:
    """All fitted lines of one scan, with the covariance of their areas.

    ``area_covariance`` has shape (N, N), in (counts·deg)², in the order of ``lines``.
    ``left_out`` names the expected lines that could not be used, each with the reason.
    """

    lines: tuple[MeasuredLine, ...]
    area_covariance: FloatArray
    left_out: tuple[tuple[Reflection, str], ...] = ()

    def __iter__(self) -> Iterator[MeasuredLine]:
        return iter(self.lines)

    def __len__(self) -> int:
        return len(self.lines)

    @property
    def areas(self) -> FloatArray:
        """Areas in counts·deg, shape (N,)."""
        return np.array([line.area_counts_deg for line in self.lines])

    def of_phase(self, phase: str) -> MeasuredLines:
        """The lines whose strongest member belongs to ``phase``, with their covariance."""
        keep = [i for i, line in enumerate(self.lines) if line.reflection.phase == phase]
        return self.subset(keep)

    def subset(self, keep: list[int]) -> MeasuredLines:
        """The lines at these indices, in this order."""
        index = np.array(keep, dtype=int)
        return MeasuredLines(
            tuple(self.lines[i] for i in keep),
            self.area_covariance[np.ix_(index, index)],
            self.left_out,
        )

    def joined(self, groups: Sequence[Sequence[int]]) -> MeasuredLines:
        """One line for each group of indices, the areas of its lines summed with their covariance.

        Of lines fitted beside each other that the scan hardly holds apart the sum is well known
        though each is not. Place and shape are those of the strongest; the rest adds up.
        """
        sums = np.zeros((len(groups), len(self.lines)))
        for row, group in enumerate(groups):
            sums[row, list(group)] = 1.0
        covariance = sums @ self.area_covariance @ sums.T
        areas = sums @ self.areas if len(self.lines) else np.empty(0)
        lines = [
            self.lines[group[0]]
            if len(group) == 1
            else _sum_of([self.lines[i] for i in group], float(area), float(variance))
            for group, area, variance in zip(groups, areas, np.diag(covariance), strict=True)
        ]
        return MeasuredLines(tuple(lines), covariance, self.left_out)

    def find(self, phase: str, hkl: Hkl) -> MeasuredLine | None:
        """The line that holds this reflection, alone or in a blend, or None."""
        wanted = Reflection(phase, hkl)
        return next((line for line in self.lines if wanted in line.members), None)


def _sum_of(parts: Sequence[MeasuredLine], area: float, variance: float) -> MeasuredLine:
    """Lines as one; its limits are those of a line that takes the place of them all."""
    first = max(parts, key=lambda line: line.area_counts_deg)
    ordered = [first, *(line for line in parts if line is not first)]
    members = tuple(dict.fromkeys(member for line in ordered for member in line.members))
    flags = tuple(dict.fromkeys(flag for line in ordered for flag in line.flags))
    sigma = float(np.sqrt(max(variance, 0.0)))
    decision = float(np.sqrt(sum(line.decision_area**2 for line in parts)))
    detection = float(np.sqrt(sum(line.detection_area**2 for line in parts)))
    blank = decision * min(
        abs(line.area_counts_deg / line.significance) / line.decision_area
        if line.significance and line.decision_area
        else np.inf
        for line in parts
    )
    return replace(
        first,
        members=members,
        area_counts_deg=area,
        area_sigma_counts_deg=sigma,
        significance=area / blank if np.isfinite(blank) and blank > 0.0 else 0.0,
        decision_area=decision,
        detection_area=detection,
        flags=flags if "blend" in flags else (*flags, "blend"),
    )
