"""Which fitted lines of a phase figures may rest on, and which are only good as a sum.

A line fitted at a place that is not its own, close beside another, hands area to its neighbour
when that place is a little off: c, a and b of a film are never quite what was expected. Of lines
of one phase the sum is then still good; a line of another phase spoils it.
"""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray
from xrdfilm.analysis.laid_lines import LaidLine
from xrdfilm.lines import MeasuredLines, Reflection

FOOT_REACH_DEG = 1.5
FOOT_RATIO = 100.0
# Lines nearer than this are told as their sum; up to the second number where the place of either
# is not its own (common practice, no source; held against simulated films)
INSEPARABLE_FWHM = 1.2
BOUND_INSEPARABLE_FWHM = 2.0
SPOILS_FROM = 0.02  # of a line's area: a weaker neighbour matters less than the profile does


@dataclass(frozen=True, eq=False)
class FittedLines:
    """All fitted lines of a scan and what each of them is."""

    lines: MeasuredLines
    laid: tuple[LaidLine, ...]

    def usable(self, phase: str) -> MeasuredLines:
        """Lines of a phase that figures may rest on; the others are left out and named.

        Left out are weak lines in the foot of one a hundred times as strong where the window does
        not fit, and lines that another phase's is not held apart from. Lines of the phase that
        are not held apart from each other are summed.
        """
        left_out: list[tuple[Reflection, str]] = []
        own = [
            i
            for i, (line, laid) in enumerate(zip(self.lines, self.laid, strict=True))
            if line.reflection.phase == phase and laid.ghost is None
        ]
        measured = [i for i in own if self.laid[i].use == "measure"]
        keep: list[list[int]] = []
        for group in self._groups(own, set(measured)):
            asked = [i for i in group if self.laid[i].use == "measure"]
            reason = next((r for i in asked if (r := self._why_not(i, phase, group))), "")
            if reason:
                left_out += [(self.lines.lines[i].reflection, reason) for i in asked]
            else:
                keep.append(group)
        chosen = self.lines.joined(keep)
        # a ghost bears its parent's name: that it was not fitted says nothing of the parent
        fitted = {member for i in own for member in self.lines.lines[i].members}
        missing = {
            reflection: why
            for reflection, why in chosen.left_out
            if reflection.phase == phase and reflection not in fitted
        }
        return replace(chosen, left_out=(*missing.items(), *left_out))

    def _why_not(self, i: int, phase: str, group: Sequence[int]) -> str:
        return self._in_a_foot(i, group) or self._spoilt(i, phase)

    def _in_a_foot(self, i: int, group: Sequence[int]) -> str:
        """The strong line whose foot this one lies in, in words; not one that it is summed with."""
        line, areas = self.lines.lines[i], self._areas
        if "misfit" not in line.flags:
            return ""
        near = [
            k
            for k, other in enumerate(self.lines)
            if k not in group
            and abs(other.two_theta_deg - line.two_theta_deg) < FOOT_REACH_DEG
            and areas[k] > FOOT_RATIO * max(areas[i], line.area_sigma_counts_deg)
        ]
        if not near:
            return ""
        strong = self.lines.lines[max(near, key=lambda k: float(areas[k]))]
        return f"lies in the foot of {strong.reflection}, whose shape the fit misses"

    def _spoilt(self, i: int, phase: str) -> str:
        """The line of another phase that this one is not held apart from, in words.

        Layers below the film have their cells: among themselves they are told as fitted.
        """
        mine = self.laid[i]
        for k in np.flatnonzero(self._inseparable[i]).tolist():
            other, laid = self.lines.lines[k], self.laid[k]
            if mine.role != "film" and laid.role != "film":
                continue
            foreign = [m for m in other.members if m.phase != phase]
            if k == i or not foreign or laid.ghost is not None or laid.role == "fluoride":
                continue
            if (
                laid.strength > SPOILS_FROM * mine.strength
                or abs(other.area_counts_deg) > SPOILS_FROM * self.lines.lines[i].area_counts_deg
            ):
                return f"not held apart from {foreign[0]} beside it"
        return ""

    def _groups(self, own: Sequence[int], measured: Set[int]) -> list[list[int]]:
        """Indices of the lines to be summed: ``measured`` ones, with others of ``own`` close by."""
        groups: list[list[int]] = []
        for i in sorted(own, key=lambda k: self.lines.lines[k].two_theta_deg):
            if groups and self._inseparable[groups[-1][-1], i]:
                groups[-1].append(i)
            else:
                groups.append([i])
        return sorted((group for group in groups if measured & set(group)), key=min)

    @cached_property
    def _areas(self) -> FloatArray:
        return self.lines.areas

    @cached_property
    def _inseparable(self) -> BoolArray:
        """Whether two lines are too close for an area of each, (N, N)."""
        place = np.array([line.two_theta_deg for line in self.lines])
        width = np.array([line.fwhm_deg for line in self.lines])
        bound = np.array(
            [line.place != "free" or "held_place" in line.flags for line in self.lines], bool
        )
        gap = np.abs(place[:, None] - place)
        widest = np.fmax(width[:, None], width)
        near = gap < INSEPARABLE_FWHM * widest
        return np.asarray(
            near | ((bound[:, None] | bound) & (gap < BOUND_INSEPARABLE_FWHM * widest))
        )
