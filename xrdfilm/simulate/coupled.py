"""A coupled scan (θ–2θ) of an invented film: expected counts, one draw of them, and the truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import FloatArray, Hkl
from xrdfilm.crystal.attenuation import refractive_decrement
from xrdfilm.errors import StackError
from xrdfilm.intensity.model import Orientation
from xrdfilm.intensity.optics import Optics
from xrdfilm.lines import Reflection
from xrdfilm.scan import Scan
from xrdfilm.simulate.film import Constituent, SimulatedFilm
from xrdfilm.simulate.instrument import TUNGSTEN_SHARES, Instrument
from xrdfilm.simulate.patterns import GhostName, Pattern, pattern
from xrdfilm.simulate.shape import draw_lines
from xrdfilm.simulate.truth import TrueLine, Truth

_NEGLIGIBLE_COUNTS = 0.01
_GHOST_OF_AT_LEAST_COUNTS = 0.1  # ghosts lower than this at their top are not drawn


@dataclass(frozen=True, slots=True)
class _Group:
    """A component's lines with the factor that its share gives their unit areas."""

    constituent: Constituent
    orientation: Orientation
    ghost: GhostName | None
    factor: float
    pattern: Pattern


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
    refraction: bool = False,
    seed: int | None = 0,
) -> tuple[Scan, Truth]:
    """Simulate one coupled scan on ``two_theta_deg``, shape (N,); returns it with its truth.

    ``counts`` are the expected net counts at the top of the film phase's strongest line within
    the scan, or of the line ``top_of``; ``scale`` gives K itself instead, so that films can be
    compared on one instrument. Displacement moves a line by −2 s cosθ/R, ``zero_deg`` by itself,
    ``refraction`` (of flat layers, as real films are) by 4δ/sin2θ; without it lines stand at their
    Bragg angles, for studies of one step of the analysis.
    ``seed`` None draws fresh noise each time.

    Two-thirds of each area stand at K-alpha1 where there is a doublet. Ghosts: K-beta and
    W L-alpha of every line, λ/2 of the planes along an aligned component's normal, each with
    the |F|² of the main wavelength. The film's layer absorbs like its film phase alone.
    """
    instrument = Instrument() if instrument is None else instrument
    angles = grid() if two_theta_deg is None else np.asarray(two_theta_deg, dtype=float)
    if angles.ndim != 1 or angles.size < 2 or np.any(np.diff(angles) <= 0.0):
        raise StackError("two_theta_deg must be an ascending grid of at least two angles")
    high_deg = float(angles[-1])
    groups = _main_groups(film, optics, instrument, high_deg)
    if scale is None:
        scale = counts / _unit_height(film, groups, optics, angles, top_of)
    groups += _ghost_groups(film, groups, optics, instrument, high_deg, scale)
    background = instrument.background.counts(angles)
    signal, lines = _draw(
        groups, scale, optics, instrument, angles, displacement_um, zero_deg, refraction
    )
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


def _group(
    constituent: Constituent,
    orientation: Orientation,
    ghost: GhostName | None,
    wavelength_A: float,
    factor: float,
    film: SimulatedFilm,
    optics: Optics,
    instrument: Instrument,
    high_deg: float,
) -> _Group | None:
    lines = pattern(
        constituent.phase,
        constituent.structure,
        constituent.layer_index,
        constituent.size_nm,
        constituent.microstrain,
        orientation,
        ghost,
        wavelength_A,
        film.stack,
        optics,
        instrument.breadth,
        high_deg,
    )
    return None if lines is None else _Group(constituent, orientation, ghost, factor, lines)


def _main_groups(
    film: SimulatedFilm, optics: Optics, instrument: Instrument, high_deg: float
) -> list[_Group]:
    wavelength_A = optics.radiation.k_alpha1_A
    found = [
        _group(
            constituent,
            part.orientation,
            None,
            wavelength_A,
            part.share * constituent.volume_share * constituent.weakening,
            film,
            optics,
            instrument,
            high_deg,
        )
        for constituent in film.constituents()
        for part in constituent.grains
    ]
    return [group for group in found if group is not None and group.factor > 0.0]


def _ghost_groups(
    film: SimulatedFilm,
    groups: list[_Group],
    optics: Optics,
    instrument: Instrument,
    high_deg: float,
    scale: float,
) -> list[_Group]:
    radiation, ghosts = optics.radiation, instrument.ghosts
    sources: list[tuple[GhostName, float, float]] = []
    if radiation.k_beta_A is not None:
        sources.append(("k_beta", radiation.k_beta_A, ghosts.k_beta))
    for wavelength_A, share in zip(radiation.tungsten_A, TUNGSTEN_SHARES, strict=False):
        sources.append(("tungsten", wavelength_A, ghosts.tungsten * share))
    sources.append(("half_wavelength", radiation.k_alpha1_A / 2.0, ghosts.half_wavelength))
    found: list[_Group | None] = []
    for group in groups:
        tallest = scale * group.factor * float(group.pattern.heights.max())
        for ghost, wavelength_A, share in sources:
            # half the wavelength may reach orders stronger than any line within the scan
            reserve = 10.0 if ghost == "half_wavelength" else 1.0
            if tallest * share * reserve < _GHOST_OF_AT_LEAST_COUNTS:
                continue
            found.append(
                _group(
                    group.constituent,
                    group.orientation,
                    ghost,
                    wavelength_A,
                    group.factor * share,
                    film,
                    optics,
                    instrument,
                    high_deg,
                )
            )
    return [group for group in found if group is not None]


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
        lines = group.pattern
        within = (lines.two_theta_deg >= angles[0]) & (lines.two_theta_deg <= angles[-1])
        if top_of is not None:
            within &= np.all(lines.hkl == np.array(top_of), axis=1)
        if np.any(within):
            best = max(best, group.factor * float(lines.heights[within].max()))
    if best <= 0.0:
        what = "no line" if top_of is None else "no line {} {} {}".format(*top_of)
        raise StackError(f"{key} has {what} within the scan; give scale instead of counts")
    return best * share_1


def _draw(
    groups: list[_Group],
    scale: float,
    optics: Optics,
    instrument: Instrument,
    angles: FloatArray,
    displacement_um: float,
    zero_deg: float,
    refraction: bool,
) -> tuple[FloatArray, tuple[TrueLine, ...]]:
    share_2 = optics.radiation.k_alpha2_share / (1.0 + optics.radiation.k_alpha2_share)
    lever_deg = np.degrees(2e-3 * displacement_um / optics.goniometer_radius_mm)

    def observed(places: FloatArray, group: _Group) -> FloatArray:
        bent: FloatArray | float = 0.0
        if refraction:  # flat layers: 4 δ / sin2θ upwards
            delta = refractive_decrement(group.constituent.phase, optics.radiation.mean_A)
            bent = np.degrees(4.0 * delta / np.sin(np.radians(places)))
        return np.asarray(places + bent + zero_deg - lever_deg * np.cos(np.radians(places) / 2.0))

    centres: list[FloatArray] = []
    areas: list[FloatArray] = []
    gauss: list[FloatArray] = []
    lorentz: list[FloatArray] = []
    lines: list[TrueLine] = []
    for group in groups:
        part = group.pattern
        seen_at, scaled = observed(part.two_theta_deg, group), scale * group.factor * part.areas
        lines += _true_lines(group, seen_at, scaled, angles)
        doublet = part.partner_deg is not None
        centres.append(seen_at)
        areas.append(scaled * (1.0 - share_2) if doublet else scaled)
        gauss.append(part.gauss_deg)
        lorentz.append(part.lorentz_deg)
        if part.partner_deg is not None:
            there = np.isfinite(part.partner_deg)
            centres.append(observed(part.partner_deg[there], group))
            areas.append(scaled[there] * share_2)
            gauss.append(part.gauss_deg[there])
            lorentz.append(part.lorentz_deg[there])
    if not groups:
        return np.zeros_like(angles), ()
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


def _true_lines(
    group: _Group, seen_at: FloatArray, areas: FloatArray, angles: FloatArray
) -> list[TrueLine]:
    part, key = group.pattern, group.constituent.phase.key
    within = np.flatnonzero((seen_at >= angles[0]) & (seen_at <= angles[-1]))
    columns = (part.hkl, part.two_theta_deg, seen_at, areas, part.fwhm_deg)
    rows = zip(*(column[within].tolist() for column in columns), strict=True)
    return [
        TrueLine(
            Reflection(key, (h, k, m)),
            group.orientation.name,
            group.constituent.layer_index,
            place,
            seen,
            area,
            fwhm,
            group.ghost,
        )
        for (h, k, m), place, seen, area, fwhm in rows
    ]
