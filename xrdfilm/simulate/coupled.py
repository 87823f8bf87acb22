"""A coupled scan (θ–2θ) of an invented film: expected counts, one draw of them, and the truth."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from xrdfilm._typing import FloatArray, Hkl, IntArray
from xrdfilm.crystal import LineList, Phase, f_squared, line_list
from xrdfilm.errors import StackError
from xrdfilm.intensity import grain_window, unoriented_strengths
from xrdfilm.lines import Reflection
from xrdfilm.optics import Optics
from xrdfilm.radiation import Radiation, two_theta_of
from xrdfilm.scan import Scan
from xrdfilm.simulate.film import Constituent, Grains, SimulatedFilm
from xrdfilm.simulate.instrument import TUNGSTEN_SHARES, Instrument
from xrdfilm.simulate.shape import draw_lines, thompson_cox_hastings
from xrdfilm.simulate.truth import TrueLine, Truth

_NEGLIGIBLE_COUNTS = 0.01
_GHOST_OF_AT_LEAST_COUNTS = 0.1  # ghosts lower than this at their top are not drawn


@dataclass(frozen=True, slots=True)
class _Group:
    """Lines of one constituent's component at one radiation, areas for K = 1; arrays (M,)."""

    constituent: Constituent
    component: str
    ghost: str | None
    wavelength_A: float
    hkl: IntArray
    d_A: FloatArray
    two_theta_deg: FloatArray
    areas: FloatArray
    gauss_deg: FloatArray
    lorentz_deg: FloatArray


def grid(low_deg: float = 10.0, high_deg: float = 80.0, step_deg: float = 0.02) -> FloatArray:
    """Angles of a scan, both ends included."""
    if not 0.0 < low_deg < high_deg < 170.0 or step_deg <= 0.0:
        raise StackError(f"no scan from {low_deg:g} to {high_deg:g} in steps of {step_deg:g}")
    steps = round((high_deg - low_deg) / step_deg)
    return np.asarray(low_deg + step_deg * np.arange(steps + 1), dtype=np.float64)


def simulate_scan(
    film: SimulatedFilm,
    optics: Optics,
    *,
    counts: float = 30_000.0,
    scale: float | None = None,
    top_of: Hkl | None = None,
    two_theta_deg: FloatArray | None = None,
    instrument: Instrument | None = None,
    displacement_um: float = 0.0,
    zero_deg: float = 0.0,
    seed: int | None = 0,
) -> tuple[Scan, Truth]:
    """Simulate one coupled scan; returns it with its truth.

    ``counts`` are the expected net counts at the top of the film phase's strongest line within
    the scan, or of the line ``top_of``; ``scale`` gives K itself instead, so that films can be
    compared on one instrument. Displacement moves a line by −2 s cosθ/R, ``zero_deg`` by itself.
    ``seed`` None draws fresh noise each time.

    Two-thirds of each area stand at K-alpha1 where there is a doublet. Ghosts: K-beta and
    W L-alpha of every line, λ/2 of the planes along an aligned component's normal, each with
    the |F|² of the main wavelength. The film's layer absorbs like its film phase alone.
    """
    instrument = Instrument() if instrument is None else instrument
    angles = grid() if two_theta_deg is None else np.asarray(two_theta_deg, dtype=float)
    if angles.ndim != 1 or angles.size < 2 or np.any(np.diff(angles) <= 0.0):
        raise StackError("two_theta_deg must be an ascending grid of at least two angles")
    groups = _main_groups(film, optics, instrument, float(angles[-1]))
    if scale is None:
        scale = counts / _unit_height(film, groups, optics, angles, top_of)
    groups += _ghost_groups(film, groups, optics, instrument, float(angles[-1]), scale)
    background = instrument.background.counts(angles)
    signal, lines = _draw(groups, scale, optics, instrument, angles, displacement_um, zero_deg)
    expected = signal + background
    registered = instrument.detector.register(expected, np.random.default_rng(seed))
    scan = Scan(
        axis_deg=angles,
        counts=registered,
        wavelength_A=optics.radiation.k_alpha1_A,
        anode=optics.radiation.anode,
        step_time_s=instrument.detector.step_time_s,
        format="simulated",
    )
    truth = Truth(
        film,
        optics,
        instrument,
        scale,
        zero_deg,
        displacement_um,
        seed,
        lines,
        expected,
        background,
    )
    return scan, truth


@lru_cache(maxsize=128)
def _lines(structure: Phase, radiation: Radiation, two_theta_max_deg: float) -> LineList:
    return line_list(structure, radiation, two_theta_max_deg=two_theta_max_deg)


def _group(
    constituent: Constituent,
    part: Grains,
    ghost: str | None,
    wavelength_A: float,
    hkl: IntArray,
    multiplicity: IntArray,
    squared: FloatArray,
    share: float,
    film: SimulatedFilm,
    optics: Optics,
    instrument: Instrument,
    high_deg: float,
) -> _Group | None:
    """One component's lines at one wavelength; None where none falls within the scan."""
    phase = constituent.phase
    d_A = phase.cell.d_spacing(hkl)
    places = two_theta_of(d_A, wavelength_A)
    there = np.isfinite(places) & (places < min(high_deg + 3.0, 175.0))
    hkl, multiplicity, squared = hkl[there], multiplicity[there], squared[there]
    d_A, places = d_A[there], places[there]
    stack = film.stack
    window = grain_window(
        constituent.structure,
        hkl,
        multiplicity,
        places,
        part.orientation,
        optics,
        stack.sample_length_mm,
    )
    seen = window > 0.0
    if not np.any(seen):
        return None
    hkl, d_A, places = hkl[seen], d_A[seen], places[seen]
    bare = unoriented_strengths(
        phase, squared[seen], places, optics, stack, constituent.layer_index
    )
    areas = share * constituent.volume_share * constituent.weakening * bare * window[seen]
    gauss, lorentz = instrument.breadth.gauss_lorentz_deg(
        places, wavelength_A, constituent.size_nm, constituent.microstrain
    )
    return _Group(
        constituent,
        part.orientation.name,
        ghost,
        wavelength_A,
        hkl,
        d_A,
        places,
        areas,
        gauss,
        lorentz,
    )


def _main_groups(
    film: SimulatedFilm, optics: Optics, instrument: Instrument, high_deg: float
) -> list[_Group]:
    groups: list[_Group] = []
    for constituent in film.constituents():
        if constituent.volume_share <= 0.0:
            continue
        # a little beyond the scan: a shifted cell moves lines in
        lines = _lines(constituent.structure, optics.radiation, min(high_deg + 10.0, 170.0))
        for part in constituent.grains:
            group = _group(
                constituent,
                part,
                None,
                optics.radiation.k_alpha1_A,
                lines.hkl,
                lines.multiplicity,
                lines.f_squared,
                part.share,
                film,
                optics,
                instrument,
                high_deg,
            )
            if group is not None:
                groups.append(group)
    return groups


def _ghost_groups(
    film: SimulatedFilm,
    groups: list[_Group],
    optics: Optics,
    instrument: Instrument,
    high_deg: float,
    scale: float,
) -> list[_Group]:
    radiation, ghosts = optics.radiation, instrument.ghosts
    sources: list[tuple[str, float, float]] = []
    if radiation.k_beta_A is not None and ghosts.k_beta > 0.0:
        sources.append(("k_beta", radiation.k_beta_A, ghosts.k_beta))
    if ghosts.tungsten > 0.0:
        for wavelength_A, share in zip(radiation.tungsten_A, TUNGSTEN_SHARES, strict=False):
            sources.append(("tungsten", wavelength_A, ghosts.tungsten * share))
    if ghosts.half_wavelength > 0.0:
        half_A = radiation.k_alpha1_A / 2.0
        sources.append(("half_wavelength", half_A, ghosts.half_wavelength))
    found: list[_Group] = []
    for group in groups:
        tallest = scale * float(np.max(group.areas / np.maximum(group.gauss_deg, 1e-6)))
        parts = [p for p in group.constituent.grains if p.orientation.name == group.component]
        for ghost, wavelength_A, share in sources:
            if tallest * share < _GHOST_OF_AT_LEAST_COUNTS:
                continue
            part, structure = parts[0], group.constituent.structure
            if ghost == "half_wavelength":
                rows, squared = _orders(structure, part, radiation.mean_A, wavelength_A)
                if not len(rows):
                    continue
                multiplicity = np.ones(len(rows), dtype=np.int64)
            else:
                lines = _lines(structure, radiation, min(high_deg + 10.0, 170.0))
                rows, multiplicity, squared = lines.hkl, lines.multiplicity, lines.f_squared
            made = _group(
                group.constituent,
                part,
                ghost,
                wavelength_A,
                rows,
                multiplicity,
                squared,
                share * part.share,
                film,
                optics,
                instrument,
                high_deg,
            )
            if made is not None:
                found.append(made)
    return found


@lru_cache(maxsize=256)
def _orders(
    structure: Phase, part: Grains, mean_A: float, wavelength_A: float
) -> tuple[IntArray, FloatArray]:
    """Orders of the planes along an aligned component's normals, with |F|²; none for random."""
    rows: list[IntArray] = []
    for normal, share in part.orientation.normals:
        first = float(structure.cell.d_spacing([normal])[0])
        highest = int(2.0 * first / wavelength_A)
        if share > 0.0 and highest > 0:
            rows.append(np.outer(np.arange(1, highest + 1), np.array(normal, dtype=np.int64)))
    if not rows:
        return np.zeros((0, 3), dtype=np.int64), np.zeros(0)
    orders = np.concatenate(rows)
    return orders, f_squared(structure, orders, mean_A)


def _unit_height(
    film: SimulatedFilm,
    groups: list[_Group],
    optics: Optics,
    angles: FloatArray,
    top_of: Hkl | None,
) -> float:
    """Height of the film's strongest (or the named) line for K = 1, K-alpha1 alone."""
    key = film.stack.film.phase.key
    share_1 = 1.0 / (1.0 + optics.radiation.k_alpha2_share)
    best = 0.0
    for group in groups:
        if group.constituent.layer_index != 0 or group.constituent.phase.key != key:
            continue
        within = (group.two_theta_deg >= angles[0]) & (group.two_theta_deg <= angles[-1])
        if top_of is not None:
            within &= np.all(group.hkl == np.array(top_of), axis=1)
        if np.any(within):
            best = max(best, float(np.max(_heights(group)[within])))
    if best <= 0.0:
        what = "no line" if top_of is None else "no line {} {} {}".format(*top_of)
        raise StackError(f"{key} has {what} within the scan; give scale instead of counts")
    return best * share_1


def _heights(group: _Group) -> FloatArray:
    fwhm, share = thompson_cox_hastings(group.gauss_deg, group.lorentz_deg)
    gauss = 2.0 * np.sqrt(np.log(2.0) / np.pi)
    return np.asarray(group.areas * (share * 2.0 / np.pi + (1.0 - share) * gauss) / fwhm)


def _draw(
    groups: list[_Group],
    scale: float,
    optics: Optics,
    instrument: Instrument,
    angles: FloatArray,
    displacement_um: float,
    zero_deg: float,
) -> tuple[FloatArray, tuple[TrueLine, ...]]:
    radiation = optics.radiation
    share_2 = radiation.k_alpha2_share / (1.0 + radiation.k_alpha2_share)
    ratio = 1.0 if radiation.k_alpha2_A is None else radiation.k_alpha2_A / radiation.k_alpha1_A
    centres: list[FloatArray] = []
    areas: list[FloatArray] = []
    gauss: list[FloatArray] = []
    lorentz: list[FloatArray] = []
    lines: list[TrueLine] = []

    def observed(places: FloatArray) -> FloatArray:
        lever = 2e-3 * displacement_um / optics.goniometer_radius_mm
        return places + zero_deg - np.degrees(lever * np.cos(np.radians(places) / 2.0))

    for group in groups:
        seen_at = observed(group.two_theta_deg)
        doublet = group.ghost in (None, "half_wavelength") and radiation.k_alpha2_A is not None
        fwhm, _ = thompson_cox_hastings(group.gauss_deg, group.lorentz_deg)
        for i, hkl in enumerate(group.hkl):
            if not angles[0] <= seen_at[i] <= angles[-1]:
                continue
            h, k, l = (int(index) for index in hkl)  # noqa: E741
            lines.append(
                TrueLine(
                    Reflection(group.constituent.phase.key, (h, k, l)),
                    group.component,
                    group.constituent.layer_index,
                    float(group.two_theta_deg[i]),
                    float(seen_at[i]),
                    float(scale * group.areas[i]),
                    float(fwhm[i]),
                    group.ghost,
                )
            )
        parts = [(group.wavelength_A, 1.0 - share_2), (group.wavelength_A * ratio, share_2)]
        for wavelength_A, share in parts if doublet else [(group.wavelength_A, 1.0)]:
            places = two_theta_of(group.d_A, wavelength_A)
            reflected = np.isfinite(places)
            centres.append(observed(places[reflected]))
            areas.append(scale * share * group.areas[reflected])
            gauss.append(group.gauss_deg[reflected])
            lorentz.append(group.lorentz_deg[reflected])
    signal = draw_lines(
        angles,
        np.concatenate(centres),
        np.concatenate(areas),
        np.concatenate(gauss),
        np.concatenate(lorentz),
        instrument.breadth.shape,
        _NEGLIGIBLE_COUNTS,
    )
    return signal, tuple(lines)
