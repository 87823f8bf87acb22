"""Which measured lines of a layer can be used, and which reflections lie under each."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from xrdfilm._typing import Hkl, IntArray
from xrdfilm.crystal import Phase, families, family_members, line_list
from xrdfilm.errors import CannotTellError
from xrdfilm.fitting.flags import FLAGS
from xrdfilm.intensity.optics import Optics
from xrdfilm.lines import MeasuredLines, Reflection

_UNUSABLE_FLAGS = ("no_data", "no_covariance", "core_excluded", "cut_off", "not_converged")
_UNDER_LINE = 0.6  # of a line's FWHM: reflections of the film this near are measured with it


def usable_lines(lines: MeasuredLines, phase: Phase) -> tuple[list[int], list[tuple[str, str]]]:
    """Indices of the lines that hold reflections of ``phase`` alone, and why others are out."""
    usable: list[int] = []
    reasons: list[tuple[str, str]] = []
    for i, line in enumerate(lines):
        own = [m for m in line.members if m.phase == phase.key]
        if not own:
            continue
        foreign = [m for m in line.members if m.phase != phase.key]
        name = label(own[0], phase)
        if foreign:
            reasons.append((name, f"measured as one with {foreign[0]}"))
            continue
        bad = [f for f in _UNUSABLE_FLAGS if f in line.flags]
        if bad:
            reasons.append((name, FLAGS[bad[0]].short))
        elif not (np.isfinite(line.area_counts_deg) and lines.area_covariance[i, i] > 0.0):
            reasons.append((name, "its area has no uncertainty"))
        else:
            usable.append(i)
    return usable, reasons


def complete_members(
    lines: MeasuredLines, phase: Phase, optics: Optics
) -> tuple[tuple[Hkl, ...], ...]:
    """Reflections under each line: its members, and others of the phase no fit holds apart.

    A reflection nearer to a line than ``0.6`` FWHM, and not fitted as a line of its own, adds to
    its area. Families are named by the member that `xrdfilm.crystal.line_list` lists.
    """
    listed = line_list(phase, optics.radiation, two_theta_max_deg=_reach(lines))
    rows: list[list[Hkl]] = []
    for line in lines:
        own: list[Hkl] = []
        for member in line.members:
            name = _listed_name(phase, member.hkl)
            if name is None:
                raise CannotTellError(f"{member} is no reflection of {phase.key}: symmetry bars it")
            own.append(name)
        rows.append(own)
    taken = {name: row for row, names in enumerate(rows) for name in names}
    # by places of the cell, which no displacement of the scan moves
    place_of = {_as_hkl(hkl): at for hkl, at in zip(listed.hkl, listed.two_theta_deg, strict=True)}
    held = [(name, row) for name, row in taken.items() if name in place_of]
    places = np.array([place_of[name] for name, _ in held])
    widths = np.array([max(lines.lines[row].fwhm_deg, 0.05) for _, row in held])
    gaps = np.abs(listed.two_theta_deg[:, None] - places) / widths
    nearest = gaps.argmin(axis=1)
    for i in np.flatnonzero(gaps.min(axis=1) < _UNDER_LINE):
        name = _as_hkl(listed.hkl[i])
        if name not in taken:
            rows[held[int(nearest[i])][1]].append(name)
    return tuple(tuple(row) for row in rows)


def _as_hkl(row: IntArray) -> Hkl:
    return int(row[0]), int(row[1]), int(row[2])


@lru_cache(maxsize=4096)
def _listed_name(phase: Phase, hkl: Hkl) -> Hkl | None:
    """The member of the family of hkl that line lists name; None for an absent reflection."""
    d_A = float(phase.cell.d_spacing(np.array([hkl]))[0])
    members, _ = families(phase, d_A * (1.0 - 1e-6))
    equivalent = {_as_hkl(row) for row in family_members(phase, hkl)}
    return next((name for name in map(_as_hkl, members) if name in equivalent), None)


def _reach(lines: MeasuredLines) -> float:
    top = max(line.expected_deg for line in lines)
    return float(min(179.0, 5.0 * np.ceil((top + 1.0) / 5.0)))  # few different lists to keep


def label(name: Reflection | str, phase: Phase) -> str:
    """Name of a line; the phase's own reflections by their indices alone."""
    if isinstance(name, Reflection) and name.phase == phase.key:
        return str(name).split(" ", 1)[1]
    return str(name)
