"""Fits of coupled scans of films at any stage, the unconverted among them.

An early film shows strong fluoride lines and hardly any of its own, so the film's lines cannot
serve to recognise the scan: the lines from below do. Film lines are then fitted where the stated
cell puts them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from xrdfilm.analysis.coupled import CoupledFit, Prepared, analyse_coupled, prepare
from xrdfilm.analysis.premises import Premises
from xrdfilm.crystal import line_list
from xrdfilm.errors import AlignmentError, CannotTellError, XrdfilmError
from xrdfilm.fitting.detection import fit_at_places
from xrdfilm.linemap.neighbours import shape_of
from xrdfilm.lines import Reflection
from xrdfilm.scan import Scan

FLUORIDE_RANGE_DEG = 63.0
"""Fluoride lines up to here are measured; those beyond are weak."""

_WINDOW_DEG = 0.9
_SIZE_NM = 50.0
_LORENTZ = 0.5


@dataclass(frozen=True, slots=True)
class LineArea:
    """A line's net area, its standard uncertainty (counts·deg), and its place in degrees of 2θ."""

    area: float
    sigma: float
    two_theta_deg: float


@dataclass(frozen=True, slots=True, eq=False)
class FilmToFit:
    """A film's coupled scan with its premises; without a scan, ``unreadable`` says why."""

    name: str
    premises: Premises
    scan: Scan | None
    unreadable: str | None = None


def fit_films(
    films: Sequence[FilmToFit], tick: Callable[[str], None] | None = None
) -> list[CoupledFit | str]:
    """For each film the fit of its coupled scan, or why there is none."""
    kept: dict[tuple[int, bytes], Prepared] = {}
    found: list[CoupledFit | str] = []
    for film in films:
        found.append(_fit(film, kept))
        if tick is not None:
            tick(film.name)
    return found


def _fit(film: FilmToFit, kept: dict[tuple[int, bytes], Prepared]) -> CoupledFit | str:
    scan = film.scan
    if film.unreadable is not None or scan is None:
        return film.unreadable or "no coupled scan"
    key = (id(film.premises), scan.axis_deg.tobytes())
    try:
        if key not in kept:
            kept[key] = prepare(film.premises, scan.axis_deg)
        prepared = kept[key]
        fit = analyse_coupled([scan], prepared)[0]
        if isinstance(fit, AlignmentError):
            below = _by_lower_lines(prepared)
            if below.expected:
                fit = analyse_coupled([scan], below)[0]
    except XrdfilmError as problem:
        return str(problem)
    if isinstance(fit, XrdfilmError):
        return str(fit)
    return fit


def _by_lower_lines(prepared: Prepared) -> Prepared:
    """The same windows, the scan recognised by substrate and buffers alone."""
    film = prepared.premises.film.key
    return replace(
        prepared,
        expected=tuple(lines for lines in prepared.expected if lines.name != film),
        plans={},
    )


def fluoride_areas(fit: CoupledFit) -> dict[Reflection, LineArea]:
    """Areas of the fluoride's lines, negative where noise makes them so.

    Lines that the fit held beside their neighbours come from it; the others are fitted at their
    place with a straight background, where nothing that the stack is sure to show lies near.
    """
    phase = fit.premises.fluoride
    found = {
        line.reflection: LineArea(
            line.area_counts_deg, line.area_sigma_counts_deg, line.expected_deg
        )
        for line, laid in zip(fit.lines, fit.laid, strict=True)
        if laid.role == "fluoride"
        and laid.ghost is None
        and len(line.members) == 1
        and not {"no_covariance", "not_converged", "no_data", "core_excluded"} & set(line.flags)
    }
    sure = np.array([line.two_theta_deg for line, laid in zip(fit.lines, fit.laid, strict=True)
                     if laid.certain])  # fmt: skip
    sure = np.concatenate([sure, [g.two_theta_deg for g in fit.prepared.layout.ghosts]])
    table = line_list(phase, fit.premises.optics.radiation, two_theta_max_deg=FLUORIDE_RANGE_DEG)
    axis = fit.scan.axis_deg
    for hkl, true in zip(table.hkl, table.two_theta_deg, strict=True):
        reflection = Reflection(phase.key, (int(hkl[0]), int(hkl[1]), int(hkl[2])))
        place = float(true + fit.alignment.shift(np.array([true]))[0])
        if reflection in found or (sure.size and np.abs(sure - place).min() < _WINDOW_DEG):
            continue
        low, high = place - _WINDOW_DEG, place + _WINDOW_DEG
        if low < axis[0] or high > axis[-1]:
            continue
        area = _forced(fit, place, low, high)
        if area is not None:
            found[reflection] = area
    return found


def _forced(fit: CoupledFit, place: float, low: float, high: float) -> LineArea | None:
    premises = fit.premises
    shape = shape_of(
        place, premises.instrument_fwhm_deg, _LORENTZ, _SIZE_NM, premises.optics.radiation.mean_A
    )
    scan = fit.scan
    try:
        forced = fit_at_places(
            scan.axis_deg, scan.counts, [place], shape.fwhm_deg, shape.lorentz_fraction,
            premises.optics.radiation, low, high, sigma=scan.sigma,
        )  # fmt: skip
    except CannotTellError:
        return None
    area = float(np.ravel(forced.areas)[0])
    return LineArea(area, float(np.sqrt(np.ravel(forced.covariance)[0])), place)
