"""Which lines of film, fluoride and buffers a stack leaves usable, and what hides the others.

On a textured stack the layers show strong lines only of the planes along their normals, and those
are three to five decades stronger than a few per cent of misoriented grains: a place that is free
in a table of powder lines may lie under a buffer's foot or under a ghost. So each line is held
against everything else the stack may show, with strengths from the intensity model.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.crystal import Phase, load_phase
from xrdfilm.crystal.radiation import Radiation, d_of, two_theta_of
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Stack
from xrdfilm.linemap.expected import (
    HALF_WAVELENGTH,
    ExpectedLine,
    Role,
    StackPhase,
    expected_lines,
    stack_phases,
)
from xrdfilm.lines import Reflection
from xrdfilm.numbers import number

Status = Literal["clear", "shared", "hidden"]

STATUS_MEANING = {
    "clear": "nothing within reach that counts; what is weak or near is named beside it",
    "shared": "another line may lie there if stray grains or that phase are present",
    "hidden": "a line that is surely there lies over it",
}


GRAIN_WORDS = {
    "c_axis": "c-axis grains",
    "a_axis": "a-axis grains",
    "aligned_00l": "(00l) grains",
    "aligned_111": "(111) grains",
    "random": "random grains",
    "substrate": "substrate",
}
"""How the components of `xrdfilm.linemap.expected.stack_phases` are called in words."""


_WORTH_NAMING = 1e-4  # of the film's strongest line


@dataclass(frozen=True, slots=True)
class MapRules:
    """When two lines count as one. Common practice, no source, except where said.

    Lines nearer than ``resolution_deg`` cannot be fitted apart; an interferer there matters when
    it has more than ``tolerated`` of the line's area. A stronger one reaches further: with the
    Lorentzian foot (share ``lorentz`` of the profile, FWHM = resolution) its height at a
    distance x is lorentz·(w/2x)² of its top, which a local background takes up while it stays
    under ``foot_contrast`` times the line's height; beyond ``max_reach_deg`` it always does.
    Grains that stand astray may be many more than the shares supposed here: of them
    ``tolerated_stray`` counts. What is surely there within ``beside_deg``, where the wide lines of
    a tape's film still overlap, is named from ``worth_naming`` of the line on.
    """

    resolution_deg: float = 0.2
    tolerated: float = 0.1
    lorentz: float = 0.5
    foot_contrast: float = 30.0
    max_reach_deg: float = 1.5
    tolerated_stray: float = 0.1
    beside_deg: float = 0.0
    worth_naming: float = 2e-3

    def reach_deg(self, ratio: FloatArray) -> FloatArray:
        """Distance within which interferers of these ratios, any shape, matter; -1 where none."""
        foot = 0.5 * self.resolution_deg * np.sqrt(self.lorentz * ratio / self.foot_contrast)
        reach = np.clip(foot, self.resolution_deg, self.max_reach_deg)
        return np.where(ratio > self.tolerated, reach, -1.0)


WARY = MapRules(tolerated_stray=1e-4, beside_deg=0.45)
"""For choosing lines before there is a scan: stray grains may be far more than supposed, and lines
of films on tape, 0.2 to 0.3° wide, overlap when they are this near (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Overlap:
    """Something that lies where a line does.

    ``separation_deg`` is its K-alpha1 place less the line's; ``ratio`` its strength over the
    line's; ``by_alpha2`` is True where only its K-alpha2 reaches the line.
    ``certain`` is False for minor components, fluorides and products, which may be absent.
    """

    by: Reflection
    role: Role
    component: str
    ghost: str | None
    certain: bool
    separation_deg: float
    ratio: float
    by_alpha2: bool = False

    def __str__(self) -> str:
        what = f"{self.ghost} ghost of {self.by}" if self.ghost else str(self.by)
        if not self.certain:
            what += f" of {GRAIN_WORDS.get(self.component, self.component)}"
        if self.by_alpha2:
            what += " (its K-alpha2)"
        side = "above" if self.separation_deg >= 0 else "below"
        return (
            f"{what}, {abs(self.separation_deg):.2f}° {side}, {number(self.ratio, 2)} × as strong"
        )


@dataclass(frozen=True, slots=True)
class MapLine:
    """The fate of one line: where it lies, how strong, and what else lies there.

    ``component`` is the orientation that shows it; ``strength`` is relative to the strongest
    line of the film. ``blended`` are lines of the same phase and component within the
    resolution: measured together with it, hiding nothing. ``overlaps``: the strongest first;
    ``beside`` likewise is what surely lies there, too weak or too far off to count.
    """

    reflection: Reflection
    role: Role
    component: str
    two_theta_deg: float
    d_A: float
    strength: float
    status: Status
    overlaps: tuple[Overlap, ...]
    blended: tuple[Reflection, ...]
    beside: tuple[Overlap, ...] = ()

    @property
    def usable(self) -> bool:
        """True unless something that is surely there lies over the line."""
        return self.status != "hidden"

    @property
    def why(self) -> str:
        """What lies there, in words; empty for a clear line."""
        if not self.overlaps:
            return ""
        return (
            f"{'hidden by' if self.status == 'hidden' else 'may be shared with'} {self.overlaps[0]}"
        )


@dataclass(frozen=True, slots=True)
class LineMap:
    """All lines of interest of a stack, by angle; ``notes`` says what could not be considered.

    ``background`` holds the substrate's lines and all ghosts, strengths relative to the film's
    strongest line: what is surely there besides.
    """

    lines: tuple[MapLine, ...]
    rules: MapRules
    two_theta_low_deg: float
    two_theta_high_deg: float
    background: tuple[ExpectedLine, ...] = ()
    notes: tuple[str, ...] = ()

    def of_phase(self, phase_key: str) -> tuple[MapLine, ...]:
        """The lines of one phase, by angle."""
        return tuple(line for line in self.lines if line.reflection.phase == phase_key)

    def find(self, reflection: Reflection, component: str | None = None) -> MapLine | None:
        """The entry of a reflection (of one component where several show it), or None."""
        return next(
            (
                line
                for line in self.lines
                if line.reflection == reflection and component in (None, line.component)
            ),
            None,
        )

    @property
    def left_out(self) -> tuple[tuple[Reflection, str], ...]:
        """Hidden lines, each with the reason."""
        return tuple((line.reflection, line.why) for line in self.lines if not line.usable)


def line_map(
    stack: Stack,
    optics: Optics,
    *,
    fluorides: Sequence[Phase] = (),
    products: Sequence[Phase] = (),
    rules: MapRules | None = None,
    phases: Sequence[StackPhase] | None = None,
    two_theta_low_deg: float = 10.0,
    two_theta_high_deg: float = 100.0,
    weakest: float = 0.02,
) -> LineMap:
    """The map of a stack: every line of film, fluorides, products and buffers, and its fate.

    ``phases`` overrides how the phases stand (default: `stack_phases`). Lines under ``weakest``
    of the strongest of their phase and component are not worth an entry, but still count as
    interferers.
    """
    rules = rules or MapRules()
    if phases is None:
        phases = stack_phases(stack, fluorides=fluorides, products=products)
    margin = rules.max_reach_deg
    shown = expected_lines(
        phases,
        stack,
        optics,
        two_theta_low_deg=max(1.0, two_theta_low_deg - margin),
        two_theta_high_deg=min(179.0, two_theta_high_deg + margin),
    )
    targets = _targets(shown, weakest, two_theta_low_deg, two_theta_high_deg)
    top = max((t.strength for t in targets if t.role == "film"), default=1.0)
    places, strengths = _interferers(shown, optics)
    lines = tuple(_fate(t, shown, places, strengths, rules, top) for t in targets)
    notes = tuple(
        f"{entry.phase.key}: only its cell is known, so its lines are not in this map"
        for entry in phases
        if entry.phase.cell_only
    )
    background = tuple(
        replace(line, strength=line.strength / top)
        for line in shown
        if line.certain and (line.role == "substrate" or line.ghost is not None)
    )
    return LineMap(lines, rules, two_theta_low_deg, two_theta_high_deg, background, notes)


def _targets(
    shown: Sequence[ExpectedLine], weakest: float, low_deg: float, high_deg: float
) -> list[ExpectedLine]:
    """True lines worth an entry: strong enough within their phase and component."""
    strongest: dict[tuple[str, str], float] = {}
    for line in shown:
        if line.ghost is None:
            key = (line.reflection.phase, line.component)
            strongest[key] = max(strongest.get(key, 0.0), line.strength)
    kept = [
        line
        for line in shown
        if line.ghost is None
        and line.role != "substrate"
        and not (line.role == "buffer" and line.component == "random")
        and low_deg <= line.two_theta_deg <= high_deg
        and line.strength >= weakest * strongest[(line.reflection.phase, line.component)]
    ]
    aligned = {line.reflection for line in kept if line.component != "random"}
    # random grains of the film are asked for through lines that no aligned component shows
    return [
        line
        for line in kept
        if not (line.role == "film" and line.component == "random" and line.reflection in aligned)
    ]


def _interferers(shown: Sequence[ExpectedLine], optics: Optics) -> tuple[FloatArray, FloatArray]:
    """Places and strengths of K-alpha1 and K-alpha2 of each shown line, both shape (2, N)."""
    rays = optics.radiation
    first = np.array([line.two_theta_deg for line in shown])
    strength = np.array([line.strength for line in shown])
    share = rays.k_alpha2_share
    second, second_strength = first.copy(), np.zeros_like(strength)
    if rays.k_alpha2_A is not None and first.size:
        true = np.array([line.ghost is None for line in shown])
        half = np.array([line.ghost == HALF_WAVELENGTH for line in shown])
        d_A = d_of(first, rays.k_alpha1_A)
        doubled = two_theta_of(d_A, rays.k_alpha2_A)
        second = np.where((true | half) & np.isfinite(doubled), doubled, first)
        second_strength = np.where(true, strength * share / (1.0 + share), 0.0)
    return np.stack([first, second]), np.stack([strength, second_strength])


def _fate(
    line: ExpectedLine,
    shown: Sequence[ExpectedLine],
    places: FloatArray,
    strengths: FloatArray,
    rules: MapRules,
    top: float,
) -> MapLine:
    separation = places - line.two_theta_deg
    ratio = strengths / line.strength
    sure = np.array([other.certain for other in shown])
    within = np.abs(separation) <= rules.reach_deg(ratio)
    here = np.abs(separation) <= rules.resolution_deg
    within |= here & ~sure & (ratio > rules.tolerated_stray)
    beside = sure & ~within.any(axis=0) & (ratio[0] > rules.worth_naming)
    beside &= np.abs(separation[0]) <= max(rules.resolution_deg, rules.beside_deg)
    overlaps: list[Overlap] = []
    aside: list[Overlap] = []
    blended: list[Reflection] = []
    for i in map(int, np.flatnonzero(within.any(axis=0) | beside)):
        other = shown[i]
        if other.ghost is None and other.reflection == line.reflection:
            continue
        same_grains = (
            other.ghost is None
            and other.reflection.phase == line.reflection.phase
            and other.component == line.component
        )
        if same_grains:
            if abs(separation[0, i]) <= rules.resolution_deg:
                blended.append(other.reflection)
            continue
        (aside if beside[i] else overlaps).append(
            Overlap(
                other.reflection,
                other.role,
                other.component,
                other.ghost,
                other.certain,
                float(separation[0, i]),
                float(ratio[0, i]),
                not bool(beside[i] or within[0, i]),
            )
        )
    overlaps.sort(key=lambda o: (not o.certain, -o.ratio))
    aside.sort(key=lambda o: -o.ratio)
    status: Status = "clear"
    if overlaps:
        status = "hidden" if overlaps[0].certain else "shared"
    return MapLine(
        line.reflection,
        line.role,
        line.component,
        line.two_theta_deg,
        line.d_A,
        line.strength / top,
        status,
        tuple(overlaps),
        tuple(blended),
        tuple(aside) if rules.beside_deg > 0.0 else (),
    )


def fluoride_notes(found: LineMap, radiation: Radiation) -> tuple[str, ...]:
    """Where the first line of barium fluoride moves as it takes up yttrium, and what lies there.

    Empty for a map without barium fluoride.
    """
    mixed = load_phase("BaYF")
    if not found.of_phase("BaF2") or mixed.cell_law is None:
        return ()
    low, high = (
        float(two_theta_of(mixed.with_composition(x).cell.d_spacing((1, 1, 1)), alpha1)[0])
        for alpha1 in (radiation.k_alpha1_A,)
        for x in (mixed.cell_law.low, mixed.cell_law.high)
    )
    margin = found.rules.resolution_deg
    there = [
        f"{line.ghost} ghost of {line.reflection} at {line.two_theta_deg:.2f}°"
        for line in found.background
        if line.ghost is not None
        and low - margin < line.two_theta_deg < high + margin
        and line.strength > _WORTH_NAMING
    ]
    words = (
        "barium fluoride that takes up yttrium shrinks: its (111) then lies anywhere from "
        f"{low:.2f}° to {high:.2f}° (see the phase BaYF)"
    )
    return (f"{words}; on that stretch: {', '.join(there)}" if there else words,)
