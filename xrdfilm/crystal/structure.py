"""Cells, atomic sites and phases: what a crystal structure is, before any X-ray falls on it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal, cast

import gemmi
import numpy as np
from numpy.typing import ArrayLike

from xrdfilm._typing import FloatArray, IntArray
from xrdfilm.errors import PhaseError

_SAME_PLACE_A = 0.05
"""Symmetry copies of an atom nearer than this are one atom on a special position (rounded 1/3)."""

_AVOGADRO_BY_ANGSTROM = 0.602214076  # mol⁻¹ Å³ -> 10²⁴ mol⁻¹ cm³


CrystalSystem = Literal[
    "cubic",
    "tetragonal",
    "hexagonal",
    "rhombohedral",
    "orthorhombic",
    "monoclinic",
    "triclinic",
]


@dataclass(frozen=True, slots=True)
class Cell:
    """Unit cell; lengths in Å, angles in degrees."""

    a_A: float
    b_A: float
    c_A: float
    alpha_deg: float = 90.0
    beta_deg: float = 90.0
    gamma_deg: float = 90.0

    @property
    def metric(self) -> FloatArray:
        """Metric tensor of the direct lattice in Å², shape (3, 3)."""
        lengths = np.array([self.a_A, self.b_A, self.c_A])
        alpha, beta, gamma = (
            _cosine(angle) for angle in (self.alpha_deg, self.beta_deg, self.gamma_deg)
        )
        cosines = np.array([[1.0, gamma, beta], [gamma, 1.0, alpha], [beta, alpha, 1.0]])
        return np.asarray(np.outer(lengths, lengths) * cosines, dtype=float)

    @property
    def reciprocal_metric(self) -> FloatArray:
        """Metric tensor of the reciprocal lattice in Å⁻², shape (3, 3)."""
        return np.asarray(np.linalg.inv(self.metric), dtype=float)

    @property
    def volume_A3(self) -> float:
        """Volume in Å³."""
        return math.sqrt(float(np.linalg.det(self.metric)))

    @property
    def reciprocal_base(self) -> FloatArray:
        """Reciprocal base vectors as rows of Cartesian components in Å⁻¹, shape (3, 3).

        a lies along x and b in the xy plane, so hkl @ reciprocal_base is the plane normal.
        """
        direct = np.linalg.cholesky(self.metric)  # rows: a, b, c
        return np.linalg.inv(direct).T

    def d_spacing(self, hkl: ArrayLike) -> FloatArray:
        """Spacing in Å of the planes hkl, shape (N, 3) -> (N,); infinite for 000."""
        indices = np.atleast_2d(np.asarray(hkl, dtype=float))
        inverse_square = np.einsum("ni,ij,nj->n", indices, self.reciprocal_metric, indices)
        with np.errstate(divide="ignore"):
            return np.asarray(1.0 / np.sqrt(inverse_square), dtype=float)

    def angle_deg(self, hkl_1: ArrayLike, hkl_2: ArrayLike) -> FloatArray:
        """Angle in degrees between plane normals, shapes (N, 3) and (M, 3) -> (N, M)."""
        first = np.atleast_2d(np.asarray(hkl_1, dtype=float)) @ self.reciprocal_base
        second = np.atleast_2d(np.asarray(hkl_2, dtype=float)) @ self.reciprocal_base
        first /= np.linalg.norm(first, axis=1, keepdims=True)
        second /= np.linalg.norm(second, axis=1, keepdims=True)
        return np.degrees(np.arccos(np.clip(first @ second.T, -1.0, 1.0)))


def _cosine(angle_deg: float) -> float:
    return 0.0 if angle_deg == 90.0 else math.cos(math.radians(angle_deg))


def cell_of_metric(metric: FloatArray) -> Cell:
    """The cell of a metric tensor in Å², shape (3, 3)."""
    a, b, c = (round(math.sqrt(float(metric[i, i])), 9) for i in range(3))
    cosines = (metric[1, 2] / (b * c), metric[0, 2] / (a * c), metric[0, 1] / (a * b))
    alpha, beta, gamma = (round(math.degrees(math.acos(float(x))), 9) for x in cosines)
    return Cell(a, b, c, alpha, beta, gamma)


@dataclass(frozen=True, slots=True)
class Site:
    """One atomic site: fractional coordinates, occupancy 0..1, isotropic B in Å²."""

    label: str
    element: str
    x: float
    y: float
    z: float
    occupancy: float = 1.0
    b_iso_A2: float = 0.5


@dataclass(frozen=True, slots=True)
class CellLaw:
    """Cell edge of a cubic solid solution: a = a0 + slope * x, x from low to high.

    ``host`` gives way to ``guest`` on its sites as x grows (in the unit of ``variable``, of which
    ``per_unit`` makes a site fraction); ``extra`` names a site whose occupancy is that fraction.
    """

    variable: str
    a0_A: float
    slope_A: float
    low: float
    high: float
    uncertainty_A: float
    host: str
    guest: str
    per_unit: float = 1.0
    extra: str | None = None

    def a_A(self, x: float) -> float:
        """Cell edge in Å at composition x; PhaseError outside the law's range."""
        if not self.low <= x <= self.high:
            raise PhaseError(
                f"{self.variable} = {x:g} is outside the cell law's range "
                f"{self.low:g} to {self.high:g}; give the measured cell edge instead"
            )
        return self.a0_A + self.slope_A * x

    def composition(self, a_A: float) -> float:
        """Composition whose cell edge is ``a_A``; may lie outside the law's range."""
        return (a_A - self.a0_A) / self.slope_A


@dataclass(frozen=True, slots=True)
class Phase:
    """A crystal structure with its source.

    ``space_group`` is a Hermann-Mauguin symbol with setting where it needs one (``:H``, ``:2``).
    ``standing`` is "verified" where cell and free coordinates were read in a public text and
    "memory" where anything less holds; ``cell_verified`` speaks of the cell alone. ``sites`` is
    empty where only the cell is known: such a phase has line places but no intensities.
    """

    key: str
    name: str
    formula: str
    role: str
    cell: Cell
    space_group: str
    sites: tuple[Site, ...]
    formula_units: int
    source: str
    standing: str
    cell_verified: bool = False
    other_roles: tuple[str, ...] = ()
    note: str = ""
    read_in: tuple[str, ...] = ()
    cell_law: CellLaw | None = None

    def __hash__(self) -> int:
        # phases key many caches; equality still compares every field
        return hash((self.key, self.cell.a_A, self.cell.c_A))

    @property
    def cell_only(self) -> bool:
        """True where no atoms are known, so that no intensity can be computed."""
        return not self.sites

    @property
    def is_metal(self) -> bool:
        """True for a metal or an alloy, such as a rolled tape: no element but metals in it."""
        light = {"H", "B", "C", "N", "O", "F", "Si", "P", "S", "Cl"}
        return bool(self.sites) and not light & {site.element for site in self.sites}

    @property
    def composition_per_cell(self) -> dict[str, float]:
        """Atoms of each element in the cell, occupancies counted."""
        if self.cell_only:
            amounts = formula_amounts(self.formula)
            return {element: n * self.formula_units for element, n in amounts.items()}
        totals: dict[str, float] = {}
        for site, copies in zip(self.sites, site_copies(self), strict=True):
            totals[site.element] = totals.get(site.element, 0.0) + site.occupancy * len(copies)
        return totals

    @property
    def mass_per_cell_g_mol(self) -> float:
        """Molar mass of the cell's content."""
        return sum(
            n * gemmi.Element(element).weight for element, n in self.composition_per_cell.items()
        )

    @property
    def density_g_cm3(self) -> float:
        """X-ray density."""
        return self.mass_per_cell_g_mol / (self.cell.volume_A3 * _AVOGADRO_BY_ANGSTROM)

    def with_cell(
        self,
        *,
        a_A: float | None = None,
        b_A: float | None = None,
        c_A: float | None = None,
    ) -> Phase:
        """The same structure on another cell: a solid solution, or a strained film.

        Lengths that the symmetry ties to a given one follow it unless they are given too; given
        ones that break a tie make a strained cell, whose lower symmetry the line list respects.
        """
        old, number = self.cell, _space_group(self.space_group).number
        if number >= 195:  # cubic
            b_A = a_A if b_A is None else b_A
            c_A = a_A if c_A is None else c_A
        elif number >= 75 and b_A is None:  # tetragonal, trigonal, hexagonal
            b_A = a_A
        if old.alpha_deg != 90.0 and old.alpha_deg == old.beta_deg == old.gamma_deg:  # :R axes
            b_A = a_A if b_A is None else b_A
            c_A = a_A if c_A is None else c_A
        lengths = [
            o if new is None else float(new)
            for o, new in ((old.a_A, a_A), (old.b_A, b_A), (old.c_A, c_A))
        ]
        for length in lengths:
            if not 1.0 < length < 200.0:
                raise PhaseError(f"{self.key}: a cell edge of {length:g} Å is not 1 to 200 Å")
        a, b, c = lengths
        cell = Cell(a, b, c, old.alpha_deg, old.beta_deg, old.gamma_deg)
        return replace(self, cell=cell)

    def with_composition(self, x: float) -> Phase:
        """The solid solution at composition x: cell by the phase's law, occupancies with it.

        Raises PhaseError where the phase has no cell law or x is outside it.
        """
        law = self.cell_law
        if law is None:
            raise PhaseError(f"{self.key} has no law of its cell against composition")
        share = x * law.per_unit
        sites = []
        for site in self.sites:
            if site.label == law.extra or site.element == law.guest:
                site = replace(site, occupancy=share)
            elif site.element == law.host:
                site = replace(site, occupancy=1.0 - share)
            sites.append(site)
        mixed = replace(
            self.with_cell(a_A=law.a_A(x)),
            sites=tuple(sites),
            name=f"{self.name.split(' (shipped')[0]}, {law.variable} = {x:g}",
        )
        atoms = mixed.composition_per_cell
        parts = (f"{e}{round(n / self.formula_units, 4):g}" for e, n in atoms.items() if n > 0)
        return replace(mixed, formula="".join(parts))


def formula_amounts(formula: str) -> dict[str, float]:
    """Atoms of each element in a plain formula such as ``YBa2Cu3O6.91`` or ``Ba C O3``.

    Raises PhaseError where the text is no such formula.
    """
    import re

    text = formula.replace(" ", "")
    parts = re.findall(r"([A-Z][a-z]?)(\d+(?:\.\d+)?)?", text)
    if not parts or "".join(element + amount for element, amount in parts) != text:
        raise PhaseError(f"cannot read the formula {formula!r}; write it like YBa2Cu3O6.91")
    amounts: dict[str, float] = {}
    for element, amount in parts:
        if gemmi.Element(element).atomic_number == 0:
            raise PhaseError(f"formula {formula!r}: there is no element {element!r}")
        amounts[element] = amounts.get(element, 0.0) + float(amount or 1.0)
    return amounts


@lru_cache(maxsize=256)
def _space_group(symbol: str) -> gemmi.SpaceGroup:
    group = gemmi.find_spacegroup_by_name(symbol)
    if group is None:
        raise PhaseError(
            f"unknown space group {symbol!r}; write the full Hermann-Mauguin symbol, "
            "with the setting where there are several, e.g. 'F d -3 m:2' or 'R -3 c:H'"
        )
    return group


def crystal_system(phase: Phase) -> CrystalSystem:
    """Crystal system of a phase as `xrdfilm.lattice.cell` names them.

    Trigonal phases are "hexagonal" on hexagonal axes and "rhombohedral" on their own.
    """
    system = _space_group(phase.space_group).crystal_system_str()
    if system != "trigonal":
        return cast(CrystalSystem, system)
    return "hexagonal" if phase.cell.gamma_deg == 120.0 else "rhombohedral"


@lru_cache(maxsize=256)
def symmetry_operations(symbol: str) -> tuple[IntArray, FloatArray]:
    """Rotations (M, 3, 3) and translations (M, 3) of a space group, centrings included."""
    operations = list(_space_group(symbol).operations())
    rotations = np.array([op.rot for op in operations], dtype=np.int64) // gemmi.Op.DEN
    translations = np.array([op.tran for op in operations], dtype=float) / gemmi.Op.DEN
    rotations.setflags(write=False)
    translations.setflags(write=False)
    return rotations, translations


@lru_cache(maxsize=512)
def _copies(
    symbol: str, cell: Cell, place: tuple[float, float, float]
) -> tuple[tuple[float, float, float], ...]:
    rotations, translations = symmetry_operations(symbol)
    images = rotations @ np.array(place) + translations
    metric = cell.metric
    difference = images[:, None, :] - images[None, :, :]
    difference -= np.round(difference)
    distance_squared = np.einsum("nmi,ij,nmj->nm", difference, metric, difference)
    same = distance_squared < _SAME_PLACE_A**2
    kept: list[tuple[float, float, float]] = []
    taken = np.zeros(len(images), dtype=bool)
    for i in range(len(images)):
        if taken[i]:
            continue
        group = same[i]
        taken |= group
        # the mean of the copies is the special position that rounded coordinates meant
        mean = images[i] - difference[i][group].mean(axis=0)
        kept.append((float(mean[0] % 1.0), float(mean[1] % 1.0), float(mean[2] % 1.0)))
    return tuple(kept)


def site_copies(phase: Phase) -> tuple[FloatArray, ...]:
    """For each site of the phase the places of its copies in the cell, each shape (M, 3)."""
    return tuple(
        np.array(_copies(phase.space_group, phase.cell, (site.x, site.y, site.z)))
        for site in phase.sites
    )


def metric_rotations(phase: Phase) -> IntArray:
    """Rotations of the space group that keep the cell's metric, shape (M, 3, 3).

    All of them for an ideal cell; fewer for a strained one.
    """
    rotations, _ = symmetry_operations(phase.space_group)
    metric = phase.cell.metric
    moved = np.einsum("nji,jk,nkl->nil", rotations, metric, rotations)
    kept = np.all(np.abs(moved - metric) < 1e-6 * np.abs(metric).max(), axis=(1, 2))
    return np.unique(rotations[kept], axis=0)
