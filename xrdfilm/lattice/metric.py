"""Reciprocal metric of every crystal system: 1/d² = Σ_j f_j(hkl) p_j, linear in p."""

from __future__ import annotations

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray, IntArray
from xrdfilm.crystal.structure import CrystalSystem

# where each unknown of a system stands in the reciprocal metric tensor
_METRIC_PLACES: dict[CrystalSystem, tuple[tuple[tuple[int, int], ...], ...]] = {
    "cubic": (((0, 0), (1, 1), (2, 2)),),
    "tetragonal": (((0, 0), (1, 1)), ((2, 2),)),
    "hexagonal": (((0, 0), (1, 1), (0, 1)), ((2, 2),)),
    "rhombohedral": (((0, 0), (1, 1), (2, 2)), ((0, 1), (0, 2), (1, 2))),
    "orthorhombic": (((0, 0),), ((1, 1),), ((2, 2),)),
    "monoclinic": (((0, 0),), ((1, 1),), ((2, 2),), ((0, 2),)),
    "triclinic": (((0, 0),), ((1, 1),), ((2, 2),), ((1, 2),), ((0, 2),), ((0, 1),)),
}
# the cell's edges and angles that the symmetry leaves free
CELL_PARAMETERS: dict[CrystalSystem, tuple[str, ...]] = {
    "cubic": ("a",),
    "tetragonal": ("a", "c"),
    "hexagonal": ("a", "c"),
    "rhombohedral": ("a", "alpha"),
    "orthorhombic": ("a", "b", "c"),
    "monoclinic": ("a", "b", "c", "beta"),
    "triclinic": ("a", "b", "c", "alpha", "beta", "gamma"),
}


def metric_columns(system: CrystalSystem, hkl: IntArray) -> FloatArray:
    """f_j(hkl) of the system's independent reciprocal metric elements, (N, 3) -> (N, M)."""
    columns = []
    for places in _METRIC_PLACES[system]:
        column = np.zeros(len(hkl))
        for i, j in places:
            weight = 1.0 if i == j else 2.0
            if system == "hexagonal" and i != j:
                weight = 1.0  # g*12 = g*11 / 2
            column += weight * hkl[:, i] * hkl[:, j]
        columns.append(column)
    return np.column_stack(columns)


def _reciprocal_tensor(system: CrystalSystem, values: FloatArray) -> FloatArray:
    tensor = np.zeros((3, 3))
    for places, value in zip(_METRIC_PLACES[system], values, strict=True):
        for i, j in places:
            share = 0.5 if system == "hexagonal" and i != j else 1.0
            tensor[i, j] = tensor[j, i] = share * value
    return tensor


def cell_of_metric(system: CrystalSystem, values: FloatArray) -> FloatArray:
    """a, b, c in Å, alpha, beta, gamma in degrees, shape (6,)."""
    direct = np.linalg.inv(_reciprocal_tensor(system, values))
    edges = np.sqrt(np.diag(direct))
    cosines = [direct[i, j] / (edges[i] * edges[j]) for i, j in ((1, 2), (0, 2), (0, 1))]
    return np.concatenate([edges, np.degrees(np.arccos(np.clip(cosines, -1.0, 1.0)))])


def cell_derivative(system: CrystalSystem, values: FloatArray, keep: BoolArray) -> FloatArray:
    """d(a, b, c, angles)/d(kept metric), shape (6, M)."""
    columns = []
    for j in np.flatnonzero(keep):
        step = 1e-5 * max(abs(values[j]), 1e-3 * float(np.abs(values).max()))
        up, down = values.copy(), values.copy()
        up[j] += step
        down[j] -= step
        columns.append((cell_of_metric(system, up) - cell_of_metric(system, down)) / (2.0 * step))
    return np.column_stack(columns)
