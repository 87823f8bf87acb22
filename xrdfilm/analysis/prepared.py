"""What the coupled scans of one stack on one axis share: layout, windows, places of its lines."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.adjustments import FARTHEST_MOVE_DEG
from xrdfilm.analysis.film_cell import freedom_of_c, rounded_cell
from xrdfilm.analysis.layout import Layout, lay_out
from xrdfilm.analysis.premises import Premises
from xrdfilm.crystal import Phase, line_list, lines_along
from xrdfilm.crystal.attenuation import refractive_decrement
from xrdfilm.crystal.radiation import two_theta_of
from xrdfilm.errors import AlignmentError
from xrdfilm.fitting.engine import WindowPlan, compile_plan
from xrdfilm.fluoride.model import FLUORIDE_LINES
from xrdfilm.intensity.model import growth_normal
from xrdfilm.lattice.identify import ExpectedLines
from xrdfilm.lattice.places import refraction_shift
from xrdfilm.lines import Reflection

POWDER_CELL_FREEDOM = 0.012
MOST_CELLS, MOST_PLANS = 48, 32  # layouts and plans kept at a time
_PLAN_STEP_DEG = 0.2  # lines may stand half this far from where a plan has them; pads are wider


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """What all scans of a stack on one axis, shape (N,), share.

    ``others`` are the same for the film on other cells than the stated one.
    """

    premises: Premises
    axis_deg: FloatArray
    layout: Layout
    expected: tuple[ExpectedLines, ...]
    products: tuple[Phase, ...] = ()
    plans: dict[bytes, WindowPlan] = field(default_factory=dict, repr=False)
    others: dict[Phase, Prepared] = field(default_factory=dict, repr=False)

    def on_cell(self, c_A: float, a_A: float | None = None, b_A: float | None = None) -> Prepared:
        """The same for a film of this c, rounded; kept. Edges not given go along with c."""
        if self.premises.powder:
            return self
        film = rounded_cell(self.premises.film, c_A, a_A, b_A)
        if film == self.premises.film:
            return self
        if film not in self.others:
            make_room(self.others, MOST_CELLS)
            premises = self.premises.on_film(film)
            layout = _laid_out(premises, self.axis_deg, self.products)
            self.others[film] = replace(self, premises=premises, layout=layout, plans={}, others={})
        return self.others[film]

    def plan(self, places_deg: FloatArray, fwhm_deg: FloatArray) -> WindowPlan:
        """Windows compiled near these places, (n,); kept, so that like scans share a plan."""
        shift = np.round((places_deg - self.layout.true_deg) / _PLAN_STEP_DEG).astype(np.int16)
        key = shift.tobytes()
        if key not in self.plans:
            make_room(self.plans, MOST_PLANS)
            near = self.layout.true_deg + shift * _PLAN_STEP_DEG
            specs = self.layout.specs(near, fwhm_deg)
            self.plans[key] = compile_plan(self.axis_deg, specs, self.premises.optics.radiation)
        return self.plans[key]


def make_room(kept: dict[Any, Any], most: int) -> None:
    """Let the oldest of what is kept go, so that one more makes ``most``: runs may be long."""
    while len(kept) >= most:
        del kept[next(iter(kept))]


def prepare(premises: Premises, axis_deg: FloatArray, products: tuple[Phase, ...] = ()) -> Prepared:
    """Lay out the windows of a stack for scans on this axis, ascending, (N,)."""
    layout = _laid_out(premises, axis_deg, products)
    return Prepared(premises, axis_deg, layout, _expected(premises, float(axis_deg[-1])), products)


def _laid_out(premises: Premises, axis_deg: FloatArray, products: tuple[Phase, ...]) -> Layout:
    low, high = float(axis_deg[0]), float(axis_deg[-1])
    layout = lay_out(premises, low, high, products=products)
    if not layout.lines:
        raise AlignmentError(
            f"the stated layers have no line between {low:.1f}° and {high:.1f}°; scan a range "
            "that holds a line of film or substrate"
        )
    return layout


def _expected(premises: Premises, high_deg: float) -> tuple[ExpectedLines, ...]:
    """Strong lines by which a raw scan is recognised."""
    radiation = premises.optics.radiation
    stack = premises.stack
    if premises.powder:
        table = line_list(premises.film, radiation, two_theta_max_deg=min(high_deg, 178.0))
        return (ExpectedLines.of(table, cell_freedom=POWDER_CELL_FREEDOM, least=0.01),)
    found = []
    for layer in reversed(stack.layers):
        is_film = layer is stack.film
        lines = lines_along(
            layer.phase,
            growth_normal(layer.phase),
            radiation,
            two_theta_max_deg=min(high_deg, 178.0),
        )
        if lines.two_theta_deg.size == 0:
            continue
        shrinkage, freedom = freedom_of_c(layer.phase) if is_film else (0.0, 0.0)
        found.append(
            ExpectedLines.of(lines, aligned=True, cell_freedom=freedom, cell_shrinkage=shrinkage)
        )
    return tuple(found)


def sure_places(prepared: Prepared) -> FloatArray:
    """Places of the lines that a scan of the stack is sure to show, (n,)."""
    sure = np.array([line.certain and line.ghost is None for line in prepared.layout.lines], bool)
    return np.asarray(prepared.layout.true_deg[sure])


def true_places(
    prepared: Prepared, film: Phase, scale: Mapping[str, float] | None = None
) -> FloatArray:
    """Aligned places of the layout's lines on the film's cell, refraction included, (n,).

    ``scale`` of a layer below is its cell found over the stated one.
    """
    layout = prepared.layout
    key = prepared.premises.film.key
    wavelength = prepared.premises.optics.radiation.k_alpha1_A
    d_A = np.array([line.d_A for line in layout.lines])
    own = [
        i
        for i, line in enumerate(layout.lines)
        if line.reflection.phase == key and line.ghost is None
    ]
    if own:
        hkl = np.array([layout.lines[i].reflection.hkl for i in own])
        d_A[own] = film.cell.d_spacing(hkl)
    for i, line in enumerate(layout.lines):
        if line.ghost is not None and line.reflection.phase == key:
            d_A[i] *= film.cell.c_A / prepared.premises.film.cell.c_A
    if scale:
        d_A *= [scale.get(line.reflection.phase, 1.0) for line in layout.lines]
    bragg = two_theta_of(d_A, wavelength)
    bent = [
        0.0 if line.ghost else decrement(line.reflection.phase, prepared.premises)
        for line in layout.lines
    ]
    return np.asarray(bragg + refraction_shift(bragg, np.array(bent)))


def decrement(key: str, premises: Premises) -> float:
    """Refractive decrement of a flat layer; rough powders show none of it."""
    if premises.powder:
        return 0.0
    return refractive_decrement(premises.phase(key), premises.optics.radiation.mean_A)


def usual_widths(prepared: Prepared, true_deg: FloatArray) -> FloatArray:
    """Widths (n,) to begin with: the instrument's."""
    return prepared.premises.instrument_fwhm_deg * _widening(true_deg)


def _widening(true_deg: FloatArray) -> FloatArray:
    """Rough growth of line widths with angle, 1 at 40°: size broadening goes as 1/cosθ."""
    return np.asarray(np.cos(np.radians(20.0)) / np.cos(np.radians(true_deg / 2.0)))


def moved_places(prepared: Prepared, places: FloatArray) -> FloatArray:
    """Measured places (n,) with the lines that the user moved where the user wants them."""
    adjustments = prepared.premises.adjustments
    if not adjustments.moved:
        return places
    moved = places.copy()
    for i, line in enumerate(prepared.layout.lines):
        wanted = adjustments.place_of(line.members) if line.ghost is None else None
        if wanted is not None and abs(wanted - places[i]) <= FARTHEST_MOVE_DEG:
            moved[i] = wanted
    return moved


def adjustment_notes(prepared: Prepared, places: FloatArray) -> tuple[str, ...]:
    """What of the user's adjustments could not be done; ``places`` of the lines, shape (n,)."""
    adjustments = prepared.premises.adjustments
    if not adjustments:
        return ()
    lines = prepared.layout.lines
    shown = {m for line in lines if line.ghost is None for m in line.members}
    shown |= {member for member, _ in prepared.layout.left_out}
    fluoride = prepared.premises.fluoride.key
    shown |= {Reflection(fluoride, hkl) for hkl in FLUORIDE_LINES}
    far = [
        f"[adjust] moves {line.reflection} to {wanted:g}°, more than {FARTHEST_MOVE_DEG:g}° from "
        f"its place at {place:.2f}°; it was not moved"
        for line, place in zip(lines, places, strict=True)
        if line.ghost is None
        and (wanted := adjustments.place_of(line.members)) is not None
        and abs(wanted - place) > FARTHEST_MOVE_DEG
    ]
    return (*adjustments.unknown(shown), *far)
