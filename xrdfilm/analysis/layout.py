"""Layout: which lines of a stack are fitted, in which windows, and what each is good for.

Made once for a stack and a range of angles, from the line map; scans differ only in where their
lines stand and how wide they are. Lines nearer than `BLEND_FWHM` widths are one blend; lines whose
windows touch are fitted together, so that each area is freed of its neighbours'.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.adjustments import Adjustments
from xrdfilm.analysis.laid_lines import (
    PAD_DEG,
    LaidLine,
    blended,
    film_lines,
    fluoride_lines,
    ghost_lines,
    layer_lines,
)
from xrdfilm.analysis.premises import Premises
from xrdfilm.crystal import Phase, line_list
from xrdfilm.fitting.windows import LineSpec, WindowSpec
from xrdfilm.linemap.expected import ExpectedLine, StackPhase, expected_lines, stack_phases
from xrdfilm.linemap.line_map import LineMap, MapRules, line_map
from xrdfilm.lines import Reflection

INSIDE_DEG = 0.1  # a ghost must lie this far within a window to be fitted there
JOIN_DEG = 0.75  # lines nearer than this at low angles, where they are sharp, are fitted together
JOIN_STRONG_DEG = 1.25  # the same beside a line this strong, whose tails no polynomial follows
STRONG = 0.3  # of the film's strongest line
WEAKEST = 0.003  # of the strongest line of a phase and component
APART_FWHM = 1.5  # lines of the film further apart than this each carry a place
IN_PLANE_DOUBT = 2.5e-3  # how far a and b of a film may be from what its c says, relative
BUFFER_DOUBT = 2e-3  # how far a buffer's cell may be from what its peaks suggest, relative
NEAR_LAYER_DEG = 0.35  # a buffer's line nearer to one of no buffer stays where it is expected
GHOST_LEAST = 1e-3  # of the film's strongest line: weaker ghosts do not matter beside a line


@dataclass(frozen=True, eq=False)
class Layout:
    """The lines of a stack in their windows.

    ``windows`` holds indices into ``lines``, by angle. ``left_out`` are lines of the film that
    are not fitted, with the reason. ``true_deg`` (n,) are K-alpha1 places for the stated cells.
    ``background_degree`` None: by the width of the window; points within ``excluded_deg`` (low,
    high) are not fitted.
    """

    lines: tuple[LaidLine, ...]
    windows: tuple[tuple[int, ...], ...]
    left_out: tuple[tuple[Reflection, str], ...]
    map: LineMap
    phases: tuple[StackPhase, ...]
    ghosts: tuple[ExpectedLine, ...]
    low_deg: float
    high_deg: float
    background_degree: int | None = None
    excluded_deg: tuple[tuple[float, float], ...] = ()

    @cached_property
    def order(self) -> tuple[int, ...]:
        """Indices of the lines in the order of the compiled plan."""
        return tuple(i for window in self.windows for i in window)

    @cached_property
    def true_deg(self) -> FloatArray:
        """Places for the stated cells, shape (n,), in degrees of 2θ."""
        return np.array([line.place_deg for line in self.lines])

    def specs(self, places_deg: FloatArray, fwhm_deg: FloatArray) -> tuple[WindowSpec, ...]:
        """The windows with lines at these places and widths, both (n,) in the order of lines."""
        edges = [
            (min(at), max(at))
            for at in (
                [float(places_deg[i]) for i in window if not self.lines[i].rides_along]
                for window in self.windows
            )
        ]
        found = []
        for k, window in enumerate(self.windows):
            low, high = edges[k][0] - PAD_DEG, edges[k][1] + PAD_DEG
            if k > 0:
                low = max(low, _border(edges[k][0], edges[k - 1][1]))
            if k + 1 < len(edges):
                high = min(high, _border(edges[k][1], edges[k + 1][0]))
            low, high = max(low, self.low_deg), min(high, self.high_deg)
            lines = tuple(self._spec(i, window, places_deg, fwhm_deg) for i in window)
            # what rides along must stand in the window: of its foot alone no area can be told
            lines = tuple(
                replace(line, fitted=low + INSIDE_DEG < line.two_theta_deg < high - INSIDE_DEG)
                if self.lines[i].rides_along
                else line
                for i, line in zip(window, lines, strict=True)
            )
            degree = self.background_degree
            if degree is None:
                degree = 2 if high - low > 2.2 else 1
            hidden = tuple((a, b) for a, b in self.excluded_deg if a < high and b > low)
            found.append(WindowSpec(low, high, lines, degree, hidden))
        return tuple(found)

    def _spec(
        self, i: int, window: tuple[int, ...], places_deg: FloatArray, fwhm_deg: FloatArray
    ) -> LineSpec:
        """What is open about a line: the nearer a stronger one, the less."""
        line = self.lines[i]
        stronger = [
            abs(float(places_deg[j] - places_deg[i]))
            for j in window
            if j != i and self.lines[j].strength >= line.strength
        ]
        gap = min(stronger, default=np.inf)
        # a hidden line has no shape of its own
        known = line.certain or line.use == "measure" or line.role == "fluoride"
        own_shape = known and line.ghost is None and gap > (0.05 if line.certain else 0.35)
        own_place = own_shape and gap > (0.15 if line.certain else 0.35)
        place_doubt_deg = 0.0
        room_deg = self._room_deg(i, window, places_deg)
        if room_deg > NEAR_LAYER_DEG and own_shape and not own_place:
            # beside another buffer's line: by how far the two cells may differ
            own_place = True
            place_doubt_deg = self._cell_doubt_deg(float(places_deg[i]))
        if line.component == "a_axis" and line.ghost is None:
            # (h00), (0k0) and (00l) stand apart by as much as oxygen has them
            own_place = self._apart_from_others(i, window, places_deg, float(fwhm_deg[i]))
        return LineSpec(
            members=line.members,
            two_theta_deg=float(places_deg[i]),
            fwhm_deg=float(fwhm_deg[i]),
            lorentz_fraction=0.5,
            place="free" if own_place else "forced",
            max_shift_deg=self._max_shift_deg(line, float(places_deg[i]), gap, room_deg),
            place_doubt_deg=place_doubt_deg,
            width="free" if own_shape else "forced",
            mixing="free" if own_shape else "forced",
            doublet=line.ghost is None,
            label=str(line.reflection),
        )

    def _apart_from_others(
        self, i: int, window: tuple[int, ...], places_deg: FloatArray, fwhm_deg: float
    ) -> bool:
        """Whether a line of a-axis grains has room for a place of its own."""
        for j in window:
            other = self.lines[j]
            if j == i or other.strength < self.lines[i].strength / 3.0:
                continue
            gap = abs(float(places_deg[j] - places_deg[i]))
            own = other.role == "film" and other.ghost is None
            if gap < (APART_FWHM * fwhm_deg if own else 0.35):
                return False
        return True

    def _cell_doubt_deg(self, place_deg: float) -> float:
        """How far a buffer's line may be from where the cell that its peaks suggest has it."""
        return float(np.degrees(2.0 * np.tan(np.radians(place_deg / 2.0)) * BUFFER_DOUBT))

    def _room_deg(self, i: int, window: tuple[int, ...], places_deg: FloatArray) -> float:
        """How far a buffer's line along its normal is from those of no buffer; 0 of other lines."""
        line = self.lines[i]
        if line.role != "buffer" or not line.certain or line.ghost is not None:
            return 0.0
        others = [j for j in window if self.lines[j].role != "buffer"]
        return min((abs(float(places_deg[j] - places_deg[i])) for j in others), default=np.inf)

    def _max_shift_deg(
        self, line: LaidLine, place_deg: float, gap_deg: float, room_deg: float
    ) -> float:
        """How far a line may be from where it is expected."""
        if room_deg > NEAR_LAYER_DEG:
            return max(0.15, min(1.5 * self._cell_doubt_deg(place_deg), 0.4 * room_deg))
        if line.certain and gap_deg > 0.3:
            return 0.15
        if line.component == "a_axis":
            moved = np.degrees(2.0 * np.tan(np.radians(place_deg / 2.0)) * IN_PLANE_DOUBT)
            return float(np.clip(moved, 0.08, max(0.08, 0.7 * gap_deg)))
        return 0.08


def _border(place_deg: float, other_deg: float) -> float:
    """How far a window may reach from its outer line towards a line of the next window."""
    return place_deg + 0.55 * (other_deg - place_deg)


def lay_out(
    premises: Premises,
    low_deg: float,
    high_deg: float,
    *,
    products: tuple[Phase, ...] = (),
    extra_low_deg: float = 10.0,
) -> Layout:
    """The layout for scans from ``low_deg`` to ``high_deg``.

    Film lines that something certain hides are left out with the reason; a line that
    another hides (as (006) does (020)) that is strong enough to matter is fitted along, unused.
    """
    stack, optics = premises.stack, premises.optics
    low = max(low_deg, extra_low_deg if low_deg < extra_low_deg else low_deg)
    if premises.powder:
        return _adjusted(_powder_layout(premises, low, high_deg), premises.adjustments)
    phases = stack_phases(
        stack,
        fluorides=(premises.fluoride,),
        products=products,
        film_mosaic_deg=premises.c_axis_mosaic.fwhm_deg,
    )
    mapped = line_map(
        stack, optics, phases=phases, two_theta_low_deg=low, two_theta_high_deg=high_deg,
        weakest=WEAKEST,
    )  # fmt: skip
    shown = expected_lines(
        phases, stack, optics, two_theta_low_deg=low, two_theta_high_deg=high_deg
    )
    film_top = max((e.strength for e in shown if e.role == "film"), default=1.0)
    lines, left_out = film_lines(mapped, stack.film.phase, optics.radiation.k_alpha1_A)
    lines += layer_lines(shown, mapped, film_top, optics.radiation.k_alpha1_A)
    lines = blended(lines, premises.instrument_fwhm_deg)
    lines += fluoride_lines(shown, lines, film_top, premises)
    ghosts = tuple(e for e in shown if e.ghost is not None and e.strength > GHOST_LEAST * film_top)
    lines += ghost_lines(ghosts, lines, film_top, premises)
    lines = [line for line in lines if low + 0.15 < line.place_deg < high_deg - 0.15]
    lines.sort(key=lambda line: line.place_deg)
    layout = Layout(tuple(lines), _windows(lines), left_out, mapped, phases, ghosts, low, high_deg)
    return _adjusted(layout, premises.adjustments)


def _adjusted(layout: Layout, adjustments: Adjustments) -> Layout:
    """The layout as the user wants it: excluded lines are fitted along but used for nothing."""
    if not adjustments:
        return layout
    lines: list[LaidLine] = []
    left_out = list(layout.left_out)
    for line in layout.lines:
        why = ""
        if adjustments.hides(line.place_deg):
            why = "lies in a range excluded by the user"
        elif adjustments.excludes(line.members):
            why = "excluded by the user"
        if why and line.role == "film" and line.use == "measure":
            left_out += [(member, why) for member in line.members]
        if not adjustments.hides(line.place_deg):
            lines.append(replace(line, use="nuisance", note=why) if why else line)
    anchors = [line.place_deg for line in lines if not line.rides_along]
    lines = [
        line
        for line in lines
        if any(abs(line.place_deg - anchor) < PAD_DEG + 0.2 for anchor in anchors)
    ]
    return replace(
        layout,
        lines=tuple(lines),
        windows=_windows(lines),
        left_out=tuple(left_out),
        background_degree=adjustments.background_degree,
        excluded_deg=adjustments.ranges_deg,
    )


def _windows(lines: list[LaidLine]) -> tuple[tuple[int, ...], ...]:
    """Indices of lines that are fitted together, for lines in ascending place."""
    windows: list[list[int]] = []
    for i, line in enumerate(lines):
        if line.rides_along:
            continue
        here = [lines[k] for k in windows[-1]] if windows else []
        if any(line.place_deg - other.place_deg < _reach(other, line) for other in here):
            windows[-1].append(i)
        else:
            windows.append([i])
    for i, line in enumerate(lines):
        if line.rides_along:  # goes where its nearest line is
            gaps = [min(abs(lines[k].place_deg - line.place_deg) for k in w) for w in windows]
            windows[int(np.argmin(gaps))].append(i)
    return tuple(tuple(sorted(window)) for window in windows)


def _reach(first: LaidLine, second: LaidLine) -> float:
    """How near lines must be to be fitted together, in degrees: they widen with the angle."""
    if max(first.strength, second.strength) > STRONG:
        return JOIN_STRONG_DEG
    return JOIN_DEG / float(np.cos(np.radians(second.place_deg / 2.0))) ** 2


def _powder_layout(premises: Premises, low_deg: float, high_deg: float) -> Layout:
    """All lines of a powder; those too weak to see beside the strongest are left out."""
    phase = premises.film
    radiation = premises.optics.radiation
    table = line_list(phase, radiation, two_theta_max_deg=min(high_deg, 178.0))
    known = np.isfinite(table.f_squared)
    lorentz = 1.0 / (
        np.sin(np.radians(table.two_theta_deg)) * np.sin(np.radians(table.two_theta_deg / 2.0))
    )
    strength = np.where(known, table.f_squared, 1.0) * table.multiplicity * lorentz
    strength = strength / strength.max()
    lines = [
        LaidLine(
            (Reflection(phase.key, (int(hkl[0]), int(hkl[1]), int(hkl[2]))),),
            "film",
            "random",
            True,
            float(d),
            radiation.k_alpha1_A,
            float(s),
            "measure",
        )
        for hkl, d, s, angle in zip(
            table.hkl, table.d_A, strength, table.two_theta_deg, strict=True
        )
        if low_deg + 0.2 < angle < high_deg - 0.2 and s > 0.005
    ]
    lines = blended(lines, premises.instrument_fwhm_deg)
    lines.sort(key=lambda line: line.place_deg)
    empty = LineMap((), MapRules(), low_deg, high_deg)
    return Layout(tuple(lines), _windows(lines), (), empty, (), (), low_deg, high_deg)
