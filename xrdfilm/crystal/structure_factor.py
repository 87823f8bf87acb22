"""Structure factors, symmetry families and line lists.

|F|² is the squared modulus of the sum over the unit cell of (f0 + f' + i f'')·occupancy·
exp(-B sin²θ/λ²)·exp(2πi hx), in electrons squared a cell (International Tables for Crystallography
Vol. B, section 1.2).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from xrdfilm._typing import BoolArray, FloatArray, Hkl, IntArray
from xrdfilm.crystal.elements import dispersion, form_factor
from xrdfilm.crystal.radiation import Radiation, two_theta_of
from xrdfilm.crystal.structure import Phase, metric_rotations, site_copies, symmetry_operations
from xrdfilm.errors import PhaseError

_VANISHING = 1e-9
"""|F|² below this share of F(000)² is zero by the atoms' positions (silicon 222), not weak."""


@dataclass(frozen=True, slots=True, eq=False)
class LineList:
    """The lines of a phase, spacing descending; all arrays have N rows, one a symmetry family.

    ``hkl`` (N, 3) is one member of each family, ``multiplicity`` counts its symmetry equivalents
    with Friedel mates (planes counted from both sides), ``f_squared`` is |F|² in e² a cell,
    averaged over Friedel mates. Families that only coincide in spacing stay separate rows.
    ``two_theta_deg`` is the K-alpha1 place. NaN in ``f_squared``: atoms unknown.
    """

    phase: str
    hkl: IntArray
    d_A: FloatArray
    two_theta_deg: FloatArray
    multiplicity: IntArray
    f_squared: FloatArray

    def __len__(self) -> int:
        return len(self.d_A)

    def index(self, hkl: Hkl) -> int:
        """Row of the family whose listed member is ``hkl``; KeyError where it is absent."""
        rows = np.flatnonzero((self.hkl == np.array(hkl)).all(axis=1))
        if rows.size == 0:
            raise KeyError(f"{self.phase} has no line listed as {hkl}")
        return int(rows[0])


def f_squared(phase: Phase, hkl: ArrayLike, wavelength_A: float) -> FloatArray:
    """|F|² in e² a cell of the reflections hkl, shape (N, 3) -> (N,).

    Raises PhaseError for a phase whose atoms are unknown.
    """
    amplitude = structure_factor(phase, hkl, wavelength_A)
    return np.asarray(amplitude.real**2 + amplitude.imag**2, dtype=float)


def structure_factor(phase: Phase, hkl: ArrayLike, wavelength_A: float) -> np.ndarray:
    """Complex structure factor in electrons a cell, shape (N, 3) -> (N,)."""
    if phase.cell_only:
        raise PhaseError(
            f"{phase.key}: only the cell is known, not the atoms, so there are no intensities; "
            "name a CIF that holds the atoms"
        )
    indices = np.atleast_2d(np.asarray(hkl, dtype=float))
    s = 0.5 / phase.cell.d_spacing(indices)
    scattering = {
        element: form_factor(element, s) + dispersion(element, wavelength_A)
        for element in {site.element for site in phase.sites}
    }
    total = np.zeros(len(indices), dtype=complex)
    for site, copies in zip(phase.sites, site_copies(phase), strict=True):
        phases = np.exp(2j * np.pi * (indices @ copies.T)).sum(axis=1)
        damping = site.occupancy * np.exp(-site.b_iso_A2 * s**2)
        total += scattering[site.element] * damping * phases
    return total


def families(phase: Phase, d_min_A: float) -> tuple[IntArray, IntArray]:
    """One member and the multiplicity of every family with d >= d_min_A.

    Shapes (N, 3) and (N,), in order of falling spacing; families absent by the space group
    (centring, screw axes, glide planes) are not among them.
    """
    half = _half_sphere(phase, d_min_A)
    half = half[~_absent(phase, half)]
    # h' = h R; with Friedel mates both signs belong to the family
    images: IntArray = np.einsum("ni,mij->nmj", half, _laue_rotations(phase))
    keys = _preference(images)
    best = keys.argmax(axis=1)
    members = images[np.arange(len(half)), best]
    _, first, inverse = np.unique(
        keys[np.arange(len(half)), best], return_index=True, return_inverse=True
    )
    multiplicity = 2 * np.bincount(inverse.ravel(), minlength=first.size)  # half -> full sphere
    members = members[first]
    d_A = phase.cell.d_spacing(members)
    order = np.lexsort((-members[:, 2], -members[:, 1], -members[:, 0], -np.round(d_A, 9)))
    return members[order], multiplicity[order]


def family_members(phase: Phase, hkl: Hkl) -> IntArray:
    """All symmetry equivalents of hkl with Friedel mates, shape (multiplicity, 3)."""
    images: IntArray = np.array(hkl, dtype=np.int64) @ _laue_rotations(phase)
    return np.unique(images, axis=0)


def _laue_rotations(phase: Phase) -> IntArray:
    """Rotations that keep the metric, inversion added, shape (M, 3, 3)."""
    rotations = metric_rotations(phase)
    return np.unique(np.concatenate([rotations, -rotations]), axis=0)


def _preference(images: IntArray) -> IntArray:
    """One whole number a member: fewest negative indices first, then the largest h, k, l."""
    base = np.int64(4 * (int(np.abs(images).max(initial=1)) + 1))
    shifted = images + base // 2
    number = (shifted[..., 0] * base + shifted[..., 1]) * base + shifted[..., 2]
    negatives = (images < 0).sum(axis=-1)
    return np.asarray((3 - negatives) * base**3 + number, dtype=np.int64)


def _half_sphere(phase: Phase, d_min_A: float) -> IntArray:
    """All hkl with d >= d_min_A, one of each Friedel pair, shape (N, 3)."""
    lengths = np.sqrt(np.diag(phase.cell.metric))
    h_max, k_max, l_max = (int(n) for n in np.floor(lengths / d_min_A + 1e-9))
    grid: IntArray = np.stack(
        np.meshgrid(
            np.arange(0, h_max + 1),
            np.arange(-k_max, k_max + 1),
            np.arange(-l_max, l_max + 1),
            indexing="ij",
        ),
        axis=-1,
    ).reshape(-1, 3)
    h, k, l = grid.T  # noqa: E741
    upper = (h > 0) | ((h == 0) & ((k > 0) | ((k == 0) & (l > 0))))
    grid = grid[upper]
    inside: IntArray = grid[phase.cell.d_spacing(grid) >= d_min_A * (1.0 - 1e-12)]
    return inside


def _absent(phase: Phase, hkl: IntArray) -> BoolArray:
    """True where an operation maps hkl on itself with another phase, shape (N,)."""
    rotations, translations = symmetry_operations(phase.space_group)
    identity = (rotations == np.eye(3, dtype=np.int64)).all(axis=(1, 2))
    absent: BoolArray = np.any(_not_whole(hkl @ translations[identity].T), axis=1)
    # with the centring settled, one operation of each rotation is enough
    rotations, first = np.unique(rotations, axis=0, return_index=True)
    left = np.flatnonzero(~absent)
    mapped = np.einsum("ni,mij->nmj", hkl[left], rotations)
    itself = (mapped == hkl[left, None, :]).all(axis=2)
    absent[left] = (itself & _not_whole(hkl[left] @ translations[first].T)).any(axis=1)
    return absent


def _not_whole(turns: FloatArray) -> BoolArray:
    return np.asarray(np.abs(turns - np.round(turns)) > 1e-6, dtype=bool)


def lines_along(
    phase: Phase, normal: Hkl, radiation: Radiation, *, two_theta_max_deg: float = 120.0
) -> LineList:
    """The orders of one plane normal: what a perfectly aligned crystal shows in a coupled scan.

    ``normal`` need not be reduced; multiplicities are those of the families.
    """
    d_min = radiation.k_alpha1_A / (2.0 * np.sin(np.radians(two_theta_max_deg / 2.0)))
    step = np.array(normal, dtype=np.int64) // np.gcd.reduce(normal)
    orders = np.arange(1, int(phase.cell.d_spacing(step)[0] / d_min + 1e-9) + 1)
    hkl: IntArray = orders[:, None] * step
    hkl = hkl[~_absent(phase, hkl)]
    equivalent = [family_members(phase, (int(h), int(k), int(m))) for h, k, m in hkl]
    members = [planes[_preference(planes).argmax()] for planes in equivalent]
    multiplicity = np.array([len(planes) for planes in equivalent], dtype=np.int64)
    named = np.array(members, dtype=np.int64).reshape(-1, 3)
    return _with_strengths(phase, radiation, named, multiplicity)


@lru_cache(maxsize=256)
def line_list(phase: Phase, radiation: Radiation, *, two_theta_max_deg: float = 120.0) -> LineList:
    """The lines of a phase up to a Bragg angle; arrays are shared and read-only.

    Lines absent by symmetry or by the atoms' positions are not listed.
    """
    d_min = radiation.k_alpha1_A / (2.0 * np.sin(np.radians(two_theta_max_deg / 2.0)))
    return _with_strengths(phase, radiation, *families(phase, float(d_min)))


def _with_strengths(
    phase: Phase, radiation: Radiation, hkl: IntArray, multiplicity: IntArray
) -> LineList:
    d_A = phase.cell.d_spacing(hkl)
    if phase.cell_only:
        strength = np.full(len(hkl), np.nan)
    else:
        both = np.concatenate([hkl, -hkl, np.zeros((1, 3), dtype=np.int64)])
        raw = f_squared(phase, both, radiation.mean_A)
        strength = 0.5 * (raw[: len(hkl)] + raw[len(hkl) : -1])
        seen = strength > _VANISHING * raw[-1]
        hkl, multiplicity, d_A, strength = hkl[seen], multiplicity[seen], d_A[seen], strength[seen]
    columns = (hkl, d_A, two_theta_of(d_A, radiation.k_alpha1_A), multiplicity, strength)
    for column in columns:
        column.setflags(write=False)
    return LineList(phase.key, *columns)
