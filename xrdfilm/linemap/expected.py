"""What a stack may show: its phases, how each may stand, and the ghosts of its strong lines.

The shares and mosaics here only rank lines against one another (which line can hide which); no
fraction is ever computed from them. All of them are common practice, no source, and arguments.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.crystal import LineList, Phase, line_list, lines_along
from xrdfilm.crystal.radiation import own_radiation
from xrdfilm.intensity.model import (
    Orientation,
    a_axis,
    aligned_00l,
    aligned_111,
    c_axis,
    line_strengths,
    random,
)
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Stack
from xrdfilm.lines import Reflection

Role = Literal["film", "fluoride", "buffer", "substrate", "product"]

HALF_WAVELENGTH = "half wavelength"

GHOST_SHARES = {"K-beta": 0.02, "W L-alpha1": 0.005, "W L-alpha2": 0.0005, HALF_WAVELENGTH: 1e-3}
"""Strength of a ghost against its parent line: K-beta behind a filter, tungsten on an old anode
(its alpha2 line a tenth of alpha1), half the wavelength through a wide pulse-height window."""

MONOCHROMATOR_CUT = 0.01
"""What a crystal monochromator leaves of K-beta and tungsten; half the wavelength passes it."""

_CRYSTAL_MOSAIC_DEG = 0.05
_TAPE_MOSAIC_DEG = 6.0


@dataclass(frozen=True, slots=True)
class Component:
    """One way a phase may stand: orientation, its share of the layer, and whether it is sure."""

    orientation: Orientation
    share: float
    certain: bool


@dataclass(frozen=True, slots=True)
class StackPhase:
    """A phase that the stack holds, or may hold, in the layer of this index (0 on top)."""

    phase: Phase
    role: Role
    layer_index: int
    components: tuple[Component, ...]


@dataclass(frozen=True, slots=True)
class ExpectedLine:
    """A line the stack may show; ``strength`` in the unit of `line_strengths`.

    ``ghost`` is None for a true line, else the contaminant that makes it; ``component`` is the
    name of the orientation that shows it and ``certain`` whether that one is sure to be there.
    """

    reflection: Reflection
    role: Role
    component: str
    certain: bool
    two_theta_deg: float
    d_A: float
    strength: float
    ghost: str | None = None


def stack_phases(
    stack: Stack,
    *,
    fluorides: Sequence[Phase] = (),
    products: Sequence[Phase] = (),
    film_mosaic_deg: float = 2.0,
    buffer_mosaic_deg: float = 4.0,
    minor_share: float = 0.05,
    stray_share: float = 0.02,
    substrate_normal: tuple[int, int, int] | None = (0, 0, 1),
) -> tuple[StackPhase, ...]:
    """The phases of a stack with the orientations that solution-deposited films show.

    Film: c-axis for sure; a-axis, and random grains, at ``minor_share``. Fluorides and products:
    along (00l), along (111) or random, each at ``minor_share`` of the film. Buffers and
    substrate: (00l) for sure, ``stray_share`` of other grains but none in a single crystal.
    ``substrate_normal`` None is a substrate without texture, such as rolled Ni-Cr-Mo tape.
    """
    film = StackPhase(
        stack.film.phase,
        "film",
        0,
        (
            Component(c_axis(film_mosaic_deg), 1.0, True),
            Component(a_axis(film_mosaic_deg), minor_share, False),
            Component(random(), minor_share, False),
        ),
    )
    found = [film]
    possible = (
        Component(aligned_00l(film_mosaic_deg), minor_share, False),
        Component(aligned_111(film_mosaic_deg), minor_share, False),
        Component(random(), minor_share, False),
    )
    found += [StackPhase(phase, "fluoride", 0, possible) for phase in fluorides]
    found += [StackPhase(phase, "product", 0, possible) for phase in products]
    stray = (
        Component(aligned_111(buffer_mosaic_deg), stray_share, False),
        Component(random(), stray_share, False),
    )
    main = Component(aligned_00l(buffer_mosaic_deg), 1.0, True)
    found += [
        StackPhase(layer.phase, "buffer", index, (main, *stray))
        for index, layer in enumerate(stack.buffers, start=1)
    ]
    if stack.substrate is not None:
        below = stack.substrate.phase
        tape = below.is_metal
        mosaic = _TAPE_MOSAIC_DEG if tape else _CRYSTAL_MOSAIC_DEG
        components: tuple[Component, ...]
        if substrate_normal is None:
            components = (Component(random(), 1.0, True),)
        else:
            cut = Orientation("substrate", ((substrate_normal, 1.0),), mosaic)
            components = (Component(cut, 1.0, True), *(stray if tape else ()))
        index = len(stack.layers) - 1
        found.append(StackPhase(below, "substrate", index, components))
    return tuple(found)


def ghost_shares(optics: Optics) -> dict[str, float]:
    """Strength of each ghost against its parent with this radiation and monochromator."""
    rays = optics.radiation
    cut = 1.0 if optics.monochromator_2theta_deg is None else MONOCHROMATOR_CUT
    shares = {}
    if rays.k_beta_A is not None:
        shares["K-beta"] = GHOST_SHARES["K-beta"] * cut
    for name, _ in zip(("W L-alpha1", "W L-alpha2"), rays.tungsten_A, strict=False):
        shares[name] = GHOST_SHARES[name] * cut
    shares[HALF_WAVELENGTH] = GHOST_SHARES[HALF_WAVELENGTH]
    return shares


def ghost_wavelength_A(name: str, optics: Optics) -> float:
    """Wavelength of a contaminant of `GHOST_SHARES`; KeyError where the radiation has none."""
    rays = optics.radiation
    table = dict(zip(("W L-alpha1", "W L-alpha2"), rays.tungsten_A, strict=False))
    table[HALF_WAVELENGTH] = rays.k_alpha1_A / 2.0
    if rays.k_beta_A is not None:
        table["K-beta"] = rays.k_beta_A
    return table[name]


def expected_lines(
    phases: Iterable[StackPhase],
    stack: Stack,
    optics: Optics,
    *,
    two_theta_low_deg: float = 5.0,
    two_theta_high_deg: float = 120.0,
    ghosts: bool = True,
) -> tuple[ExpectedLine, ...]:
    """All lines of these phases in a range of 2θ, with ghosts of the certain components.

    Places are those of K-alpha1. A family is listed once for each component that shows it.
    Phases whose atoms are unknown are left out: they have no strengths.
    """
    sources: list[tuple[str | None, Optics, float]] = [(None, optics, 1.0)]
    if ghosts:
        sources += [
            (
                name,
                replace(optics, radiation=own_radiation(ghost_wavelength_A(name, optics))),
                share,
            )
            for name, share in ghost_shares(optics).items()
        ]
    lines: list[ExpectedLine] = []
    for ghost, setup, factor in sources:
        for entry in phases:
            if entry.phase.cell_only:
                continue
            for component in entry.components:
                if ghost is not None and not component.certain:
                    continue  # a ghost of a minor part is weaker than anything else here
                lines += _lines_of(
                    entry, component, stack, setup, ghost, factor, two_theta_low_deg,
                    two_theta_high_deg,
                )  # fmt: skip
    return tuple(sorted(lines, key=lambda line: line.two_theta_deg))


def _lines_of(
    entry: StackPhase,
    component: Component,
    stack: Stack,
    optics: Optics,
    ghost: str | None,
    factor: float,
    low_deg: float,
    high_deg: float,
) -> list[ExpectedLine]:
    tables: list[LineList] = []
    if ghost is None or component.orientation.is_random:
        tables.append(line_list(entry.phase, optics.radiation, two_theta_max_deg=high_deg))
    else:  # short wavelengths reach thousands of families; only those along the normal matter
        tables += [
            lines_along(entry.phase, normal, optics.radiation, two_theta_max_deg=high_deg)
            for normal, _ in component.orientation.normals
        ]
    lines: list[ExpectedLine] = []
    for table in tables:
        strength: FloatArray = line_strengths(
            entry.phase,
            table.hkl,
            table.multiplicity,
            table.f_squared,
            table.two_theta_deg,
            component.orientation,
            optics,
            stack,
            entry.layer_index,
        ) * (component.share * factor)
        shown = (table.two_theta_deg >= low_deg) & (strength > 0.0)
        lines += [
            ExpectedLine(
                Reflection(entry.phase.key, (int(h), int(k), int(m))),
                entry.role,
                component.orientation.name,
                component.certain,
                float(table.two_theta_deg[i]),
                float(table.d_A[i]),
                float(strength[i]),
                ghost,
            )
            for i in np.flatnonzero(shown)
            for h, k, m in [table.hkl[i]]
        ]
    return lines
