"""What else may stand near a line: lines of the stack, and ghosts of its strong lines.

Ghosts are reflections of a strong line's planes at another wavelength that the tube or the optics
let through: K-beta, tungsten L-alpha of an old anode, and half the wavelength. They are predicted
from where the strong lines are, so that none of them is taken for a phase.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.cellscan import LineShape, Neighbour
from xrdfilm.crystal import Phase, line_list
from xrdfilm.radiation import Radiation, two_theta_of
from xrdfilm.stack import Stack

WEAKEST = 0.03  # of a phase's strongest line as a powder; weaker ones are no neighbours
_K_BETA, _TUNGSTEN, _HALF = 0.02, 0.01, 0.002
"""Most that a ghost shows of its parent's height: upper ends of common practice, no source."""

_TAIL_DEG2 = 2e-3  # of a line's height times the square of the distance: a Lorentzian tail
_SINGLE_CRYSTALS = ("SrTiO3", "LaAlO3", "MgO", "Al2O3", "YSZ")


@dataclass(frozen=True, slots=True, eq=False)
class _Candidates:
    """Direct lines of a stack; arrays (M,). ``certain`` marks lines along the layer's normal."""

    labels: tuple[str, ...]
    phases: tuple[str, ...]
    place_deg: FloatArray
    d_A: FloatArray
    certain: np.ndarray
    powder_share: FloatArray


@lru_cache(maxsize=64)
def _candidates(stack: Stack, radiation: Radiation) -> _Candidates:
    labels: list[str] = []
    phases: list[str] = []
    place: list[float] = []
    spacing: list[float] = []
    certain: list[bool] = []
    powder: list[float] = []
    seen: set[str] = set()
    for layer in stack.layers:
        phase = layer.phase
        if phase.key in seen or phase.cell_only:
            continue
        seen.add(phase.key)
        substrate = stack.substrate is not None and phase == stack.substrate.phase
        single = substrate and phase.key.startswith(_SINGLE_CRYSTALS)
        lines = line_list(phase, radiation, two_theta_max_deg=100.0)
        theta = np.radians(lines.two_theta_deg / 2.0)
        strength = lines.multiplicity * lines.f_squared / (np.sin(2 * theta) * np.sin(theta))
        strength = strength / np.max(strength)
        for hkl, angle, d, share in zip(
            lines.hkl, lines.two_theta_deg, lines.d_A, strength, strict=True
        ):
            along = int(np.count_nonzero(hkl)) == 1
            if not along and (share < WEAKEST or single):
                continue
            labels.append(f"{phase.key} ({''.join(str(int(i)) for i in hkl)})")
            phases.append(phase.key)
            place.append(float(angle))
            spacing.append(float(d))
            certain.append(along)
            powder.append(float(share))
    return _Candidates(
        tuple(labels),
        tuple(phases),
        np.array(place),
        np.array(spacing),
        np.array(certain, dtype=bool),
        np.array(powder),
    )


def stack_neighbours(
    two_theta_deg: FloatArray,
    counts: FloatArray,
    stack: Stack,
    radiation: Radiation,
    windows: Sequence[tuple[float, float]],
    shape_at: Callable[[float], LineShape],
    *,
    more: Sequence[Phase] = (),
) -> tuple[tuple[Neighbour, ...], ...]:
    """Neighbours in each window: lines of the stack (and of ``more`` phases) and their ghosts.

    ``two_theta_deg``, ``counts`` (N,), the axis aligned. A ghost is listed where its parent is
    high enough in the scan for it to show, or where the parent is a layer's own line outside the
    scan. Lines closer together than a third of their width are listed once.
    """
    known = _candidates(stack, radiation)
    height, noise = _heights(two_theta_deg, counts, known.place_deg)
    outside = np.isnan(height)
    ghosts: list[tuple[str, FloatArray, float]] = []
    if radiation.k_beta_A is not None:
        ghosts.append(("K-beta", two_theta_of(known.d_A, radiation.k_beta_A), _K_BETA))
    for k, wavelength_A in enumerate(radiation.tungsten_A):
        share = _TUNGSTEN * (1.0 if k == 0 else 0.12)  # L-alpha2 : L-alpha1, from memory 0.11
        ghosts.append((f"W L-alpha{k + 1}", two_theta_of(known.d_A, wavelength_A), share))
    ghosts.append(("half wavelength", two_theta_of(known.d_A, radiation.k_alpha1_A / 2.0), _HALF))
    found: list[tuple[Neighbour, ...]] = []
    for low, high in windows:
        here: list[tuple[float, Neighbour]] = []
        away = np.maximum(np.maximum(low - known.place_deg, known.place_deg - high), 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            tail = np.nan_to_num(height) * _TAIL_DEG2 / np.square(away)
        for k in map(int, np.flatnonzero((away < 0.3) | ((away < 4.0) & (tail > 0.2 * noise)))):
            place = float(known.place_deg[k])
            weight = 2.0 if known.certain[k] else float(known.powder_share[k])
            here.append((weight, Neighbour(known.labels[k], place, shape_at(place))))
        for name, places, share in ghosts:
            near = (places > low - 0.3) & (places < high + 0.3)
            if not near.any():
                continue
            shows = np.where(outside, known.certain, height * share > 0.5 * noise)
            if name == "half wavelength":  # seen of strong planes only, those along a normal
                shows = shows & known.certain
            for k in map(int, np.flatnonzero(near & shows)):
                place = float(places[k])
                here.append(
                    (
                        share * (2.0 if known.certain[k] else 1.0),
                        Neighbour(
                            f"{name} of {known.labels[k]}",
                            place,
                            shape_at(place),
                            doublet=name == "half wavelength",
                            ghost=True,
                            ceiling_area=None
                            if outside[k]
                            else 1.2 * share * float(height[k]) * shape_at(place).fwhm_deg,
                        ),
                    )
                )
        found.append(_apart(here))
    for phase in more:
        lines = line_list(phase, radiation, two_theta_max_deg=100.0)
        theta = np.radians(lines.two_theta_deg / 2.0)
        strength = lines.multiplicity * lines.f_squared / (np.sin(2 * theta) * np.sin(theta))
        strength = strength / np.max(strength)
        for w, (low, high) in enumerate(windows):
            extra = [
                (
                    float(share),
                    Neighbour(
                        f"{phase.key} ({''.join(str(int(i)) for i in hkl)})",
                        float(angle),
                        shape_at(float(angle)),
                    ),
                )
                for hkl, angle, share in zip(lines.hkl, lines.two_theta_deg, strength, strict=True)
                if low < angle < high and share > WEAKEST
            ]
            found[w] = _apart([(3.0, n) for n in found[w]] + extra)
    return tuple(found)


def _heights(
    two_theta_deg: FloatArray, counts: FloatArray, places: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Height over the surroundings near each place (nan outside the scan) and their noise."""
    step = float(two_theta_deg[-1] - two_theta_deg[0]) / max(two_theta_deg.size - 1, 1)
    half = max(1, int(0.12 / step))
    wide = max(half + 2, int(0.8 / step))
    middle = np.searchsorted(two_theta_deg, places)
    inside = (middle > half) & (middle < two_theta_deg.size - half)
    index = np.clip(middle[:, None] + np.arange(-half, half + 1), 0, counts.size - 1)
    top = counts[index].max(axis=1)
    left = np.clip(middle[:, None] + np.linspace(-wide, wide, 9).astype(int), 0, counts.size - 1)
    base = np.median(counts[left], axis=1)
    height = np.where(inside, top - base, np.nan)
    return height, np.sqrt(np.maximum(base, 1.0))


def _apart(weighted: list[tuple[float, Neighbour]]) -> tuple[Neighbour, ...]:
    """The neighbours, strongest first, without those a third of a width from a stronger one."""
    kept: list[Neighbour] = []
    for _, neighbour in sorted(weighted, key=lambda pair: -pair[0]):
        if all(
            abs(neighbour.place_deg - other.place_deg) > neighbour.shape.fwhm_deg / 3.0
            for other in kept
        ):
            kept.append(neighbour)
    return tuple(kept)


def overlapping(
    place_deg: float, stack: Stack, radiation: Radiation, within_deg: float
) -> tuple[str, ...]:
    """Lines of the stack's layers, a fifth or more of their powder's strongest, near a place."""
    known = _candidates(stack, radiation)
    near = np.abs(known.place_deg - place_deg) < within_deg
    return tuple(
        known.labels[k] for k in np.flatnonzero(near & ((known.powder_share > 0.2) | known.certain))
    )


def shape_of(
    two_theta_deg: float, fwhm_deg: float, lorentz: float, size_nm: float, wavelength_A: float
) -> LineShape:
    """Instrument width with the Lorentzian broadening of a crystallite size added, K = 0.9.

    Gaussian and Lorentzian parts are joined as by Thompson, Cox and Hastings, J. Appl. Cryst. 20
    (1987) 79 (equations from memory).
    """
    cosine = float(np.cos(np.radians(two_theta_deg / 2.0)))
    g = fwhm_deg * (1.0 - lorentz) ** 0.5
    l = fwhm_deg * lorentz + float(np.degrees(0.9 * wavelength_A / (10.0 * size_nm * cosine)))  # noqa: E741
    fifth = g**5 + 2.69269 * g**4 * l + 2.42843 * g**3 * l**2
    fifth += 4.47163 * g**2 * l**3 + 0.07842 * g * l**4 + l**5
    fwhm = fifth**0.2
    ratio = l / fwhm
    return LineShape(fwhm, 1.36603 * ratio - 0.47719 * ratio**2 + 0.11116 * ratio**3)
