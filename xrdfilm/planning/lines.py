"""Which lines carry a quantity, and how much a second of counting on each tells.

Two amounts are compared: that of the sought component (fluoride, or a-axis grains) and that of the
film's c-axis grains. A line gives an amount u with the variance C/T after a time T spent on its
window; C follows from the Fisher information of a fit of its area beside a straight background,
everything else that the stack shows there included. The smaller C, the more a second tells.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.optimize import brentq

from xrdfilm._typing import FloatArray
from xrdfilm.crystal import Phase, line_list
from xrdfilm.errors import CannotTellError
from xrdfilm.fitting.profile import doublet
from xrdfilm.intensity.optics import Optics
from xrdfilm.linemap.line_map import line_map
from xrdfilm.lines import Reflection
from xrdfilm.simulate import SimulatedFilm, simulate_scan
from xrdfilm.simulate.coupled import grid
from xrdfilm.simulate.instrument import Background, Breadth, Detector, Instrument
from xrdfilm.simulate.shape import thompson_cox_hastings
from xrdfilm.simulate.truth import TrueLine

Sought = Literal["fluoride", "a_axis"]
Role = Literal["sought", "film"]

_HALF_WIDTHS = (3.0, 4.0, 6.0, 8.0)  # windows tried, in FWHM on either side
_FINE_DEG = 0.01
_SAME_PLACE_DEG = 0.3
_STRAY_STRENGTH = 0.02  # of the powder's strongest line
_REACH_DEG = 3.0
_NEIGHBOUR = 0.05  # of the background: a neighbour above it is fitted along


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A line whose tail reaches into a window and has to be fitted along; places in degrees."""

    two_theta_deg: float
    fwhm_deg: float
    lorentz_fraction: float


@dataclass(frozen=True, slots=True)
class LineWorth:
    """What a line is worth.

    ``strength`` is its area in counts·deg at one second a step for the amount 1 (as much of the
    component as of the film's c-axis grains). ``cost_s`` is C: the variance of the amount times
    the seconds spent on the window from ``low_deg`` to ``high_deg``, at the expected amount.
    ``hidden_by`` says what lies over it; then it is not to be counted. ``shared_with`` says what
    may lie there: such a line limits the amount from above but cannot show it, so clear lines go
    before it. ``background`` is in counts a second; ``neighbours`` reach into the window.
    """

    reflection: Reflection
    role: Role
    two_theta_deg: float
    fwhm_deg: float
    strength: float
    background: float
    low_deg: float
    high_deg: float
    cost_s: float
    lorentz_fraction: float
    hidden_by: str = ""
    shared_with: str = ""
    neighbours: tuple[Neighbour, ...] = ()

    @property
    def usable(self) -> bool:
        """Whether nothing that is surely there lies over it."""
        return not self.hidden_by and np.isfinite(self.cost_s)


WORTH_COUNTING = 4.0
"""A line of more than this many times the best one's cost is not worth its time."""


@dataclass(frozen=True, slots=True)
class LinesOfQuantity:
    """The lines of both amounts, and how the amounts were counted.

    The most telling come first: clear ones, then those whose place others may share, then those
    that cannot be counted.
    """

    sought: Sought
    lines: tuple[LineWorth, ...]
    expected_ratio: float
    step_deg: float

    def worthwhile(self, role: Role) -> tuple[LineWorth, ...]:
        """Lines worth their time, the most telling first: clear ones, else those shared."""
        usable = [line for line in self.lines if line.role == role and line.usable]
        clear = [line for line in usable if not line.shared_with] or usable
        return tuple(x for x in clear if x.cost_s <= WORTH_COUNTING * clear[0].cost_s)

    def passed_over(self, role: Role) -> tuple[LineWorth, ...]:
        """Lines that need less time than the best, and are not counted: their place is shared."""
        good = self.worthwhile(role)
        if not good or good[0].shared_with:
            return ()
        return tuple(
            x
            for x in self.lines
            if x.role == role and x.usable and x.shared_with and x.cost_s < good[0].cost_s
        )

    def best(self, role: Role) -> LineWorth:
        """The most telling usable line of a role; raises CannotTellError where there is none."""
        good = self.worthwhile(role)
        if good:
            return good[0]
        told = "; ".join(
            f"{x.reflection}: {x.hidden_by}" for x in self.lines if x.role == role and x.hidden_by
        )
        raise CannotTellError(
            f"no line of the {'film' if role == 'film' else self.sought} can be counted on this "
            f"stack within the range ({told or 'none lies within it'})"
        )


def lines_of(
    film: SimulatedFilm,
    optics: Optics,
    sought: Sought,
    *,
    component: str,
    expected_ratio: float,
    fluoride: Phase | None = None,
    counts_per_s: float,
    background_per_s: float,
    measured_background: tuple[FloatArray, FloatArray] | None = None,
    low_deg: float = 20.0,
    high_deg: float = 90.0,
    step_deg: float = 0.02,
) -> LinesOfQuantity:
    """The lines of a quantity on a stack.

    ``film`` holds the sought component in some amount; ``component`` is its orientation's name in
    the simulation ("aligned_00l", "random", "a_axis", ...); ``expected_ratio`` the amount sought
    over that of c-axis grains. ``counts_per_s`` is the rate at the top of the film's strongest
    line; ``background_per_s`` that at 40°, or ``measured_background``
    (angles and counts a second, both of shape (N,)).
    """
    angles = grid(low_deg, high_deg, _FINE_DEG)
    _, truth = simulate_scan(
        film,
        optics,
        counts=counts_per_s,
        two_theta_deg=angles,
        instrument=Instrument(
            background=Background(background_per_s), detector=Detector(step_time_s=1.0, noise=False)
        ),
    )
    floor = truth.background
    if measured_background is not None:
        floor = np.maximum(np.interp(angles, *measured_background), 1e-3)
    others = truth.expected - truth.background + floor
    amount = _amount(film, sought)
    hidden = _hidden(film, optics, fluoride, low_deg, high_deg)
    found: list[LineWorth] = []
    key = film.stack.film.phase.key
    target = key if sought == "a_axis" else (fluoride.key if fluoride else "BaF2")
    for line in truth.lines:
        if line.ghost is not None or line.area_counts_deg <= 0.0:
            continue
        is_film = line.reflection.phase == key and line.component == "c_axis"
        is_sought = line.reflection.phase == target and line.component == component
        if not (is_film or is_sought):
            continue
        strength = line.area_counts_deg / (film.c_axis if is_film else amount) * film.c_axis
        share = _lorentz_fraction(line.two_theta_deg, line.fwhm_deg, optics)
        own = _shape(angles, line.observed_deg, line.fwhm_deg, share, optics)
        rest = np.maximum(others - line.area_counts_deg * own, 1e-3)
        expected = 1.0 if is_film else expected_ratio
        near = _tails(line, truth.lines, angles, optics)
        cost, low, high, neighbours = _cost(
            angles, own, rest, floor, near, line.observed_deg, line.fwhm_deg, strength * expected,
            step_deg,
        )  # fmt: skip
        cost /= strength**2
        found.append(
            LineWorth(
                line.reflection,
                "film" if is_film else "sought",
                line.observed_deg,
                line.fwhm_deg,
                strength,
                float(np.interp(line.observed_deg, angles, floor)),
                low,
                high,
                cost,
                share,
                hidden.get((line.reflection, "c_axis" if is_film else component), ""),
                _strays(line.reflection, line.two_theta_deg, film, optics),
                neighbours,
            )
        )
    found.sort(key=lambda one: (one.role, not one.usable, bool(one.shared_with), one.cost_s))
    return LinesOfQuantity(sought, _strong(found), expected_ratio, step_deg)


def _strong(found: Sequence[LineWorth]) -> tuple[LineWorth, ...]:
    """Without lines that tell less than a thousandth of the best of their role."""
    best = {
        role: min((x.cost_s for x in found if x.role == role and x.usable), default=np.inf)
        for role in ("sought", "film")
    }
    return tuple(x for x in found if x.cost_s <= 1000.0 * best[x.role] or not x.usable)


def _amount(film: SimulatedFilm, sought: Sought) -> float:
    """The sought amount in the simulated film, in units of the whole film."""
    if sought == "a_axis":
        return film.a_axis
    share = film.minor[0].fraction
    return share / (1.0 - share)


def _hidden(
    film: SimulatedFilm, optics: Optics, fluoride: Phase | None, low_deg: float, high_deg: float
) -> dict[tuple[Reflection, str], str]:
    """What surely lies over a line, by reflection and component, from the line map."""
    known = line_map(
        film.stack,
        optics,
        fluorides=() if fluoride is None else (fluoride,),
        two_theta_low_deg=low_deg,
        two_theta_high_deg=high_deg,
        weakest=1e-4,
    )
    return {(line.reflection, line.component): line.why for line in known.lines if not line.usable}


def _strays(reflection: Reflection, place: float, film: SimulatedFilm, optics: Optics) -> str:
    """Strong lines of stray grains at the same place: those of buffers, and of a-axis grains."""
    names: list[str] = []
    for layer in film.stack.layers[:-1] if film.stack.substrate else film.stack.layers:
        key = layer.phase.key
        table = line_list(layer.phase, optics.radiation)
        strength = table.multiplicity * table.f_squared
        near = np.abs(table.two_theta_deg - place) < _SAME_PLACE_DEG
        for i in np.flatnonzero(near & (strength > _STRAY_STRENGTH * strength.max())):
            h, k, l = (int(index) for index in table.hkl[i])  # noqa: E741
            is_own = Reflection(key, (h, k, l)) == reflection
            along_a = l == 0 and (h == 0 or k == 0)
            if is_own or (layer is film.stack.film and not along_a):
                continue
            names.append(f"{Reflection(key, (h, k, l))}")
    return "" if not names else "stray grains may show " + ", ".join(names)


def _lorentz_fraction(place: float, fwhm: float, optics: Optics) -> float:
    """The Lorentzian share that goes with a width, the instrument's Gaussian part being known.

    Thompson, Cox and Hastings, J. Appl. Cryst. 20 (1987) 79 (equations from memory), inverted.
    """
    wavelength = optics.radiation.k_alpha1_A
    gauss, _ = Breadth().gauss_lorentz_deg(np.array([place]), wavelength, None, 0.0)

    def excess(lorentz: float) -> float:
        return float(thompson_cox_hastings(gauss, np.array([lorentz]))[0][0]) - fwhm

    if excess(0.0) >= 0.0:
        return 0.0
    lorentz = float(brentq(excess, 0.0, fwhm))
    return float(thompson_cox_hastings(gauss, np.array([lorentz]))[1][0])


def _tails(
    line: TrueLine, lines: Sequence[TrueLine], angles: FloatArray, optics: Optics
) -> tuple[tuple[Neighbour, FloatArray], ...]:
    """The lines near a line, each with its profile in counts a second at all angles."""
    found: list[tuple[Neighbour, FloatArray]] = []
    for other in lines:
        same = other.reflection == line.reflection and other.component == line.component
        gap = abs(other.observed_deg - line.observed_deg)
        if same or other.ghost is not None or gap > _REACH_DEG or other.area_counts_deg <= 0.0:
            continue
        share = _lorentz_fraction(other.two_theta_deg, other.fwhm_deg, optics)
        tail = _shape(angles, other.observed_deg, other.fwhm_deg, share, optics)
        near = Neighbour(other.observed_deg, other.fwhm_deg, share)
        found.append((near, other.area_counts_deg * tail))
    return tuple(found)


def _shape(
    angles: FloatArray, place: float, fwhm: float, lorentz: float, optics: Optics
) -> FloatArray:
    """The line's profile of unit area at the angles, 1/deg."""
    rays = optics.radiation
    ratio = 1.0 if rays.k_alpha2_A is None else rays.k_alpha2_A / rays.k_alpha1_A
    return doublet(
        angles,
        np.asarray(place),
        np.asarray(fwhm),
        np.asarray(lorentz),
        np.asarray(ratio),
        np.asarray(rays.k_alpha2_share),
    )


def _cost(
    angles: FloatArray,
    own: FloatArray,
    rest: FloatArray,
    floor: FloatArray,
    near: Sequence[tuple[Neighbour, FloatArray]],
    place: float,
    fwhm: float,
    area: float,
    step_deg: float,
) -> tuple[float, float, float, tuple[Neighbour, ...]]:
    """Variance of the area times the seconds on the window; the window's ends; its neighbours.

    ``own`` is the line's profile of unit area, ``area`` the expected one at a second a step.
    """
    best: tuple[float, float, float, tuple[Neighbour, ...]] = (np.inf, place, place, ())
    for reach in _HALF_WIDTHS:
        low, high = place - reach * fwhm, place + reach * fwhm
        if low < angles[0] or high > angles[-1]:
            continue
        steps = int(np.floor((high - low) / step_deg)) + 1
        x = low + step_deg * np.arange(steps)
        p, other = np.interp(x, angles, own), np.interp(x, angles, rest)
        base = float(np.interp(x, angles, floor).mean())
        columns = [p, np.ones_like(x), x - place]
        kept: list[Neighbour] = []
        for neighbour, tail in near:
            there = np.interp(x, angles, tail)
            if there.max() > _NEIGHBOUR * base:
                kept.append(neighbour)
                columns.append(there / there.max())
        design = np.stack(columns, axis=1)
        information = design.T @ (design / (other + area * p)[:, None])
        scale = np.sqrt(np.diag(information))
        scaled = information / np.outer(scale, scale)
        if np.linalg.cond(scaled) > 1e10:
            continue
        cost = float(np.linalg.inv(scaled)[0, 0] / scale[0] ** 2) * steps
        if 0.0 < cost < best[0]:
            best = (cost, low, high, tuple(kept))
    return best
