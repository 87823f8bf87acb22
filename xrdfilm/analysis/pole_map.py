"""Where the poles of the scanned reflections stand on the film, for the report's sketch."""

from __future__ import annotations

import numpy as np

from xrdfilm._typing import FloatArray, Hkl
from xrdfilm.analysis.film import FilmAnalysis
from xrdfilm.analysis.picture import PoleMap
from xrdfilm.crystal import Phase
from xrdfilm.crystal.poles import component_poles, in_plane_variants
from xrdfilm.crystal.radiation import two_theta_of
from xrdfilm.lines import Reflection

_TOGETHER_DEG = 0.5  # lines of 2θ nearer than this are scanned together
_LEAST_TILT_DEG, _MOST_TILT_DEG = 1.0, 89.0


def pole_maps(analysis: FilmAnalysis) -> tuple[PoleMap, ...]:
    """A map for the tilt scan and for each azimuth scan of the film, cube on cube."""
    film = analysis.premises.film
    wavelength_A = analysis.premises.optics.radiation.k_alpha1_A
    found = []
    for stated, _, _ in analysis.side.azimuth:
        if (stated.phase or film.key) != film.key:
            continue
        tilt = stated.tilt_deg
        if tilt is None:
            tilt = float(film.cell.angle_deg(stated.hkl, (0, 0, 1)).item())
        found.append(_map(film, stated.hkl, (tilt, tilt), wavelength_A))
    tilted = analysis.side.tilt
    if tilted is not None:
        axis = tilted.scan.axis_deg
        range_deg = (float(axis[0]), float(axis[-1]))
        found.append(_map(film, tilted.stated.hkl, range_deg, wavelength_A))
    return tuple(found)


def _map(film: Phase, hkl: Hkl, scanned_deg: tuple[float, float], wavelength_A: float) -> PoleMap:
    h, k, l = hkl  # noqa: E741
    families = [hkl]
    if (k, h, l) != hkl:
        apart = np.diff(two_theta_of(film.cell.d_spacing(np.array([hkl, (k, h, l)])), wavelength_A))
        if abs(float(apart[0])) < _TOGETHER_DEG:
            families.append((k, h, l))
    title = " and ".join(str(Reflection(film.key, f)) for f in families)
    upright = _poles(film, families, (((0, 0, 1), (1, 0, 0)),))
    lying = _poles(film, families, (((1, 0, 0), (0, 0, 1)), ((0, 1, 0), (0, 0, 1))))
    return PoleMap(title, upright, lying, scanned_deg)


def _poles(film: Phase, families: list[Hkl], stands: tuple[tuple[Hkl, Hkl], ...]) -> FloatArray:
    """Tilt and azimuth of the poles of grains that stand so, each place once, shape (N, 2)."""
    rows = [
        np.column_stack([pole.tilt_deg, pole.azimuth_deg])
        for normal, in_plane in stands
        for family in families
        for pole in component_poles(film, in_plane_variants(film, normal, in_plane), family)
    ]
    places = np.concatenate(rows)
    seen = (places[:, 0] > _LEAST_TILT_DEG) & (places[:, 0] < _MOST_TILT_DEG)
    return np.unique(np.round(places[seen], 2), axis=0)
