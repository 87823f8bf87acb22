"""Every line that a stack may show, and every ghost of one: places on the stated cells, and owners.

Ghosts are reflections of a strong line's planes at another wavelength that the tube or the optics
let through: K-beta, tungsten L-alpha of an old anode, and half the wavelength.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray, IntArray
from xrdfilm.crystal import Phase, line_list
from xrdfilm.crystal.radiation import Radiation, two_theta_of
from xrdfilm.intensity.stack import Stack
from xrdfilm.lines import Reflection

WEAKEST = 0.03  # of a phase's strongest line as a powder; weaker ones are no neighbours
K_BETA, TUNGSTEN, HALF = 0.02, 0.01, 0.002
"""Most that a ghost shows of its parent's height: upper ends of common practice, no source."""

_SINGLE_CRYSTALS = ("SrTiO3", "LaAlO3", "MgO", "Al2O3", "YSZ")


@dataclass(frozen=True, slots=True, eq=False)
class StackLines:
    """Everything that may show, as arrays (M,): direct lines first, then ghosts.

    ``parent`` (M,) is the index of the direct line whose height rules (a line's own for itself),
    ``share`` the most of that height it may have, 1 for a direct line. ``certain`` marks lines
    along a layer's normal and their ghosts, ``substrate`` those of the substrate. ``weight`` ranks
    direct lines (ghosts are ranked by what they may have in the scan). ``halves`` are, for each
    layer, the indices of its half wavelengths and of the orders along its normal whose highest
    rules them. ``owners`` are the phases whose planes reflect.
    """

    labels: tuple[str, ...]
    owners: tuple[str, ...]
    place_deg: FloatArray
    parent: IntArray
    share: FloatArray
    doublet: BoolArray
    certain: BoolArray
    substrate: BoolArray
    powder_share: FloatArray
    n_direct: int
    weight: FloatArray
    halves: tuple[tuple[IntArray, IntArray], ...]


@dataclass(frozen=True, slots=True)
class _Row:
    label: str
    place_deg: float
    parent: int
    share: float = 1.0
    doublet: bool = True
    certain: bool = False
    substrate: bool = False
    powder_share: float = 0.0


@lru_cache(maxsize=64)
def lines_of_stack(stack: Stack, radiation: Radiation) -> StackLines:
    """All lines and ghosts of a stack's layers on their stated cells; kept."""
    direct: list[_Row] = []
    spacings: list[float] = []
    halves: list[_Row] = []
    seen: set[str] = set()
    for layer in stack.layers:
        phase = layer.phase
        if phase.key in seen or phase.cell_only:
            continue
        seen.add(phase.key)
        substrate = stack.substrate is not None and phase == stack.substrate.phase
        first = len(direct)
        for label, angle, d, share, along in powder_lines(phase, radiation):
            single = substrate and phase.key.startswith(_SINGLE_CRYSTALS)
            if not along and (share < WEAKEST or single):
                continue
            direct.append(
                _Row(
                    label, angle, len(direct), 1.0, True, along, substrate, share
                )
            )  # fmt: skip
            spacings.append(d)
        halves += _half_wavelengths(phase, radiation, direct, first, substrate)
    ghosts = list(halves)
    others = [(f"W L-alpha{k + 1}", w, TUNGSTEN * (1.0 if k == 0 else 0.12))
              for k, w in enumerate(radiation.tungsten_A)]  # fmt: skip
    if radiation.k_beta_A is not None:
        others.append(("K-beta", radiation.k_beta_A, K_BETA))
    for name, wavelength_A, share in others:
        places = two_theta_of(np.array(spacings), wavelength_A)
        ghosts += [
            replace(
                row, label=f"{name} of {row.label}", place_deg=float(at), share=share, doublet=False
            )
            for row, at in zip(direct, places, strict=True)
            if np.isfinite(at)
        ]
    rows = direct + ghosts
    weight = np.array(
        [row.powder_share + 2.0 * row.certain for row in direct] + [0.0] * len(ghosts)
    )
    parents = [row.parent if row.parent >= 0 else -1 - row.parent for row in rows]
    return StackLines(
        tuple(row.label for row in rows),
        tuple(phase_of(rows[parent].label) for parent in parents),
        np.array([row.place_deg for row in rows]),
        np.array([row.parent for row in rows], dtype=np.int64),
        np.array([row.share for row in rows]),
        np.array([row.doublet for row in rows], dtype=bool),
        np.array([row.certain for row in rows], dtype=bool),
        np.array([row.substrate for row in rows], dtype=bool),
        np.array([row.powder_share for row in rows]),
        len(direct),
        weight,
        tuple(_halves(rows, len(direct))),
    )


def _halves(rows: Sequence[_Row], n_direct: int) -> Iterator[tuple[IntArray, IntArray]]:
    parent = np.array([row.parent for row in rows], dtype=np.int64)
    for first in np.unique(-1 - parent[parent < 0]).tolist():
        own = phase_of(rows[first].label)
        orders = [
            k for k in range(first, n_direct) if rows[k].certain and phase_of(rows[k].label) == own
        ]
        yield np.flatnonzero(parent == -1 - first), np.array(orders, dtype=np.int64)


@lru_cache(maxsize=64)
def powder_lines(
    phase: Phase, radiation: Radiation
) -> tuple[tuple[str, float, float, float, bool], ...]:
    """Label, place, spacing, share of the strongest as a powder, and whether along an axis."""
    lines = line_list(phase, radiation, two_theta_max_deg=100.0)
    theta = np.radians(lines.two_theta_deg / 2.0)
    strength = lines.multiplicity * lines.f_squared / (np.sin(2 * theta) * np.sin(theta))
    strength = strength / np.max(strength)
    return tuple(
        (
            str(Reflection(phase.key, (int(hkl[0]), int(hkl[1]), int(hkl[2])))),
            float(angle),
            float(d),
            float(share),
            int(np.count_nonzero(hkl)) == 1,
        )
        for hkl, angle, d, share in zip(
            lines.hkl, lines.two_theta_deg, lines.d_A, strength, strict=True
        )
    )


def _half_wavelengths(
    phase: Phase, radiation: Radiation, direct: list[_Row], first: int, substrate: bool
) -> list[_Row]:
    """λ/2 of every order of the planes along an axis, those with no line at λ among them.

    Their heights are bounded by the layer's highest line, whose index stands for all of them in
    ``parent`` as a negative number: -1 - (index of the layer's first line).
    """
    last = len(direct)
    if not any(row.certain for row in direct[first:last]):
        return []
    rows: list[_Row] = []
    for axis in np.eye(3, dtype=int):
        d = float(phase.cell.d_spacing([axis])[0])
        highest = int(2.0 * d / (radiation.k_alpha1_A / 2.0))
        orders = np.arange(1, highest + 1)
        places = two_theta_of(d / orders, radiation.k_alpha1_A / 2.0)
        for order, at in zip(orders, places, strict=True):
            if not np.isfinite(at) or any(abs(row.place_deg - at) < 1e-6 for row in rows):
                continue
            planes = Reflection(phase.key, (*(axis * order).tolist(),))
            rows.append(
                _Row(
                    f"half wavelength of {planes}", float(at), -1 - first, HALF,
                    True, True, substrate,
                )
            )  # fmt: skip
    return rows


def phase_of(label: str) -> str:
    """The phase that a line's label begins with."""
    return label.split(" (")[0]


def overlapping(
    place_deg: float, stack: Stack, radiation: Radiation, within_deg: float
) -> tuple[str, ...]:
    """Lines of the stack's layers, a fifth or more of their powder's strongest, near a place."""
    known = lines_of_stack(stack, radiation)
    n = known.n_direct
    near = np.abs(known.place_deg[:n] - place_deg) < within_deg
    strong = (known.powder_share[:n] > 0.2) | known.certain[:n]
    return tuple(known.labels[k] for k in np.flatnonzero(near & strong))
