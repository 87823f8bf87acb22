"""The cell of a powder from its scan: lines found, indexed, fitted, and refined in one call.

For a user's own phase or a standard, where the cell is known to about one percent. A standard
refined with its certified cell held gives the instrument instead (`instrument_of_standard`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from xrdfilm._typing import BoolArray
from xrdfilm.errors import CannotTellError
from xrdfilm.fitting.engine import LineSpec, WindowSpec, fit_windows
from xrdfilm.lattice.alignment import Alignment, AlignmentMode, align, placed_lines
from xrdfilm.lattice.cell import CellEstimate, System, refine_cell
from xrdfilm.lattice.identify import CoarseShift, ExpectedLines, coarse_shift, find_peaks
from xrdfilm.lines import MeasuredLine, MeasuredLines, Reflection

if TYPE_CHECKING:
    from xrdfilm.crystal import Cell
    from xrdfilm.intensity.optics import Optics
    from xrdfilm.scan import Scan

# A line nearer to a neighbour than so many widths is fitted but carries no cell
_APART_FWHM = 4.0
_LEAST_SIGNIFICANCE = 15.0
_WINDOW_DEG = 1.0
_WINDOW_FWHM = 8.0
_SAME_SPACING = 1e-7  # relative


@dataclass(frozen=True, slots=True)
class PowderLattice:
    """The refined cell, the lines it rests on, all fitted lines, and how they were named."""

    cell: CellEstimate
    used: tuple[MeasuredLine, ...]
    measured: MeasuredLines
    left_out: tuple[tuple[str, str], ...]
    coarse: CoarseShift


def allowed_lines(
    name: str,
    cell: Cell,
    space_group: str,
    optics: Optics,
    *,
    two_theta_max_deg: float = 120.0,
    cell_freedom: float = 0.01,
) -> ExpectedLines:
    """All lines that the space group allows, equally strong: for a phase without a structure.

    ``space_group``: Hermann-Mauguin symbol. One member of each family; families of one spacing
    (such as (333) and (511)) once.
    """
    import gemmi

    found = gemmi.find_spacegroup_by_name(space_group)
    if found is None:
        raise CannotTellError(f"unknown space group {space_group!r}; give its H-M symbol")
    unit = gemmi.UnitCell(
        cell.a_A, cell.b_A, cell.c_A, cell.alpha_deg, cell.beta_deg, cell.gamma_deg
    )
    wavelength = optics.radiation.k_alpha1_A
    least_d = wavelength / (2.0 * np.sin(np.radians(two_theta_max_deg) / 2.0))
    hkl = np.asarray(gemmi.make_miller_array(unit, found, least_d), dtype=np.int64)
    d = np.asarray(cell.d_spacing(hkl), dtype=float)
    if found.crystal_system_str() == "cubic":
        hkl = -np.sort(-np.abs(hkl), axis=1)  # (331), as lines of cubic cells are called
    order = np.lexsort((*hkl.T, -np.round(d, 7)))
    hkl, d = hkl[order], d[order]
    first = np.concatenate([[True], np.abs(np.diff(d)) > _SAME_SPACING * d[1:]])
    return ExpectedLines(name, hkl[first], d[first], np.ones(int(first.sum())), cell_freedom)


def refine_powder_lattice(
    scan: Scan,
    expected: ExpectedLines,
    optics: Optics,
    *,
    system: System,
    mode: AlignmentMode = "auto",
    alignment: Alignment | None = None,
) -> PowderLattice:
    """Cell and alignment from all lines of ``expected`` that stand alone in the scan.

    ``mode`` and ``alignment`` as in `lattice.refine_cell`. Raises AlignmentError where the lines
    cannot be named, CannotTellError where too few stand alone.
    """
    measured, coarse = _measured(scan, expected, optics)
    used, left_out = placed_lines(
        measured, least_significance=_LEAST_SIGNIFICANCE, least_apart_fwhm=_APART_FWHM
    )
    cell = refine_cell(
        [line.reflection.hkl for line in used],
        [line.two_theta_deg for line in used],
        [line.two_theta_sigma_deg for line in used],
        optics,
        system=system,
        mode=mode,
        alignment=alignment,
    )
    return PowderLattice(cell, tuple(used), measured, tuple(left_out), coarse)


def instrument_of_standard(
    scan: Scan, expected: ExpectedLines, optics: Optics, *, cell_sigma: float = 1e-5
) -> tuple[Alignment, tuple[MeasuredLine, ...]]:
    """Alignment of a standard's scan, and its lines (for `breadth.fit_instrument_curve`).

    ``expected`` holds the certified spacings (cell freedom 0); ``cell_sigma`` is their relative
    standard uncertainty. `alignment.instrument_prior` carries the result to films.
    """
    measured, _ = _measured(scan, expected, optics)
    used, _ = placed_lines(
        measured, least_significance=_LEAST_SIGNIFICANCE, least_apart_fwhm=_APART_FWHM
    )
    spacing = {tuple(int(i) for i in h): d for h, d in zip(expected.hkl, expected.d_A, strict=True)}
    d = np.array([spacing[line.reflection.hkl] for line in used])
    true = 2.0 * np.degrees(np.arcsin(optics.radiation.k_alpha1_A / (2.0 * d)))
    found = align(
        [line.two_theta_deg for line in used],
        [line.two_theta_sigma_deg for line in used],
        true,
        optics,
        labels=[str(line.reflection) for line in used],
        cell_sigma=cell_sigma,
    )
    return found, tuple(used)


def _measured(
    scan: Scan, expected: ExpectedLines, optics: Optics
) -> tuple[MeasuredLines, CoarseShift]:
    peaks = find_peaks(scan, radiation=optics.radiation)
    coarse = coarse_shift(peaks, [expected], optics.radiation.k_alpha1_A)
    sole = _sole(expected, optics, coarse)
    taken: dict[int, LineSpec] = {}
    for match in coarse.matches:
        row = int(np.flatnonzero(np.all(expected.hkl == np.array(match.hkl), axis=1))[0])
        if not sole[row] or match.peak in taken:
            continue
        width = float(np.clip(peaks.widths_deg[match.peak], 0.05, 1.0))
        taken[match.peak] = LineSpec(
            (Reflection(expected.name, match.hkl),),
            match.observed_deg,
            0.8 * width,
            mixing="free",
            max_shift_deg=0.06,
        )
    lines = sorted(taken.values(), key=lambda line: line.two_theta_deg)
    # room for the tails: a background that takes part of them makes lines too narrow
    room = {line: max(_WINDOW_DEG, _WINDOW_FWHM * line.fwhm_deg) for line in lines}
    groups: list[list[LineSpec]] = []
    for line in lines:
        last = groups[-1][-1] if groups else None
        if last is not None and (
            line.two_theta_deg - last.two_theta_deg < 0.7 * (room[line] + room[last])
        ):
            groups[-1].append(line)
        else:
            groups.append([line])
    windows = [
        WindowSpec(
            group[0].two_theta_deg - 0.8 * room[group[0]],
            group[-1].two_theta_deg + 1.1 * room[group[-1]],
            tuple(group),
        )
        for group in groups
    ]
    return fit_windows(scan, windows, optics.radiation).measured_lines(), coarse


def _sole(expected: ExpectedLines, optics: Optics, coarse: CoarseShift) -> BoolArray:
    """Which expected lines have no other expected line within 0.1° that counts beside them.

    Families of one spacing, such as (333) and (511), are one line.
    """
    places = expected.two_theta_deg(optics.radiation.k_alpha1_A, coarse.cell_scale[expected.name])
    near = np.abs(places[:, None] - places[None, :]) < 0.1
    apart = np.abs(expected.d_A[:, None] / expected.d_A[None, :] - 1.0) > _SAME_SPACING
    counts = expected.strength[None, :] > 0.02 * expected.strength[:, None]
    return np.asarray(~np.any(near & apart & counts, axis=1))
