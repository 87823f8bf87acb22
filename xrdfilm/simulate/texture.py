"""Rocking, azimuth and tilt scans of an invented film, each with its truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import erf

from xrdfilm._typing import FloatArray, Hkl
from xrdfilm.crystal import Phase, line_list
from xrdfilm.crystal.poles import component_poles, in_plane_variants
from xrdfilm.errors import StackError
from xrdfilm.intensity.model import unoriented_strengths, variant_share
from xrdfilm.intensity.optics import Optics, axial_half_base_rad, divergence_on_sample_rad
from xrdfilm.intensity.stack import layer_path
from xrdfilm.intensity.window import (
    FWHM_PER_SIGMA,
    axial_window,
    rocking_fwhm_deg,
    window_aligned,
)
from xrdfilm.lines import Reflection
from xrdfilm.scan import Axis, Scan
from xrdfilm.simulate.film import SimulatedFilm
from xrdfilm.simulate.instrument import Detector

Azimuth = Literal["spinning", "fixed"]


@dataclass(frozen=True, slots=True)
class TextureTruth:
    """What lies behind a texture scan.

    ``expected`` are mean counts, shape (N,). ``own_fwhm_deg`` is the width of the grains' spread
    (mosaic, or twist in the plane), ``shown_fwhm_deg`` that of the curve, divergence or tilt
    spread included; both None for a tilt scan. ``by_component`` splits the net signal, each (N,).
    """

    reflection: Reflection
    two_theta_deg: float
    expected: FloatArray
    background_counts: float
    own_fwhm_deg: float | None
    shown_fwhm_deg: float | None
    tilt_deg: float | None
    by_component: dict[str, FloatArray]


@dataclass(frozen=True, slots=True)
class _PoleGroup:
    """Poles of one component: tilt, azimuth and weight of each, (M,), and its tilt spread."""

    component: str
    tilt_deg: FloatArray
    azimuth_deg: FloatArray
    weight: FloatArray
    two_theta_deg: float
    hkl: Hkl
    bare: float
    out_fwhm_deg: float


def simulate_rocking(
    film: SimulatedFilm,
    optics: Optics,
    hkl: Hkl = (0, 0, 5),
    *,
    omega_deg: FloatArray | None = None,
    counts: float = 10_000.0,
    background_counts: float = 20.0,
    grains: tuple[tuple[float, float], ...] = ((0.0, 1.0),),
    detector: Detector | None = None,
    seed: int | None = 0,
) -> tuple[Scan, TextureTruth]:
    """Rocking scan at fixed 2θ over a plane along the film normal; ω, shape (N,), from θ.

    ``grains`` lists offsets in degrees with shares, for a film whose few large grains stand
    apart. The detector takes the whole line; the footprint's change with ω is left out.
    ``counts`` are net counts at the highest point. Raises `StackError` where no component of the
    film has this plane along its normal.
    """
    omega = np.linspace(-6.0, 6.0, 241) if omega_deg is None else np.asarray(omega_deg, float)
    phase = film.film_phase
    place = _place(film, optics, hkl)
    length = film.stack.sample_length_mm
    parts: dict[str, FloatArray] = {}
    mosaics: list[float] = []
    for part in film.constituents()[0].grains:
        share = part.share * float(variant_share(phase, [hkl], part.orientation)[0])
        if share <= 0.0:
            continue
        mosaic = part.orientation.mosaic_fwhm_deg
        curve = np.zeros_like(omega)
        for offset, weight in grains:
            curve += weight * window_aligned(
                place, mosaic, optics, length, offset_deg=omega - offset
            )
        parts[part.orientation.name] = share * curve
        mosaics.append(mosaic)
    if not parts:
        raise StackError(f"{Reflection(phase.key, hkl)} lies along the normal of no component")
    scan, expected, parts = _finish(
        omega, "omega", parts, counts, background_counts, optics, detector, seed
    )
    truth = TextureTruth(
        Reflection(phase.key, hkl),
        place,
        expected,
        background_counts,
        mosaics[0],
        rocking_fwhm_deg(place, mosaics[0], optics, length),
        0.0,
        parts,
    )
    return scan, truth


def simulate_azimuth(
    film: SimulatedFilm,
    optics: Optics,
    hkl: Hkl = (1, 0, 3),
    *,
    twist_fwhm_deg: float = 5.0,
    phi_deg: FloatArray | None = None,
    counts: float = 2_000.0,
    background_counts: float = 15.0,
    detector: Detector | None = None,
    seed: int | None = 0,
) -> tuple[Scan, TextureTruth]:
    """Azimuth scan, shape (N,), at the tilt of {hkl} for c-axis grains, all components' poles.

    A pole shows √(twist² + (tilt spread · cotχ)²) in φ; poles of other components count by how
    near their tilt lies. ``counts`` are net counts at the highest point.
    """
    phi = np.arange(0.0, 360.0, 0.5) if phi_deg is None else np.asarray(phi_deg, float)
    groups = _pole_groups(film, optics, (hkl,))
    from_c = [group for group in groups if group.component == "c_axis"]
    if not from_c:
        raise StackError("an azimuth scan is set to the tilt of c-axis grains; the film has none")
    tilted = from_c[0].tilt_deg[(from_c[0].tilt_deg > 1.0) & (from_c[0].tilt_deg < 89.0)]
    if tilted.size == 0:
        raise StackError(f"({hkl[0]} {hkl[1]} {hkl[2]}) has no pole between 1 and 89 deg of tilt")
    chi = float(tilted[0])
    parts: dict[str, FloatArray] = {}
    for group in groups:
        off = (group.tilt_deg - chi) / (group.out_fwhm_deg / FWHM_PER_SIGMA)
        weight = group.bare * group.weight * np.exp(-0.5 * off**2)
        shown = _shown_azimuth_fwhm_deg(twist_fwhm_deg, group.out_fwhm_deg, chi)
        sigma = shown / FWHM_PER_SIGMA
        turn = (phi[:, None] - group.azimuth_deg + 180.0) % 360.0 - 180.0
        signal = (np.exp(-0.5 * (turn / sigma) ** 2) / sigma) @ (weight / group.out_fwhm_deg)
        parts[group.component] = parts.get(group.component, 0.0) + signal
    place = from_c[0].two_theta_deg
    scan, expected, parts = _finish(
        phi, "phi", parts, counts, background_counts, optics, detector, seed
    )
    truth = TextureTruth(
        Reflection(film.film_phase.key, hkl),
        place,
        expected,
        background_counts,
        twist_fwhm_deg,
        _shown_azimuth_fwhm_deg(twist_fwhm_deg, film.c_mosaic_fwhm_deg, chi),
        chi,
        parts,
    )
    return scan, truth


def simulate_tilt(
    film: SimulatedFilm,
    optics: Optics,
    hkl: Hkl = (1, 0, 2),
    *,
    azimuth: Azimuth = "spinning",
    two_theta_acceptance_deg: float = 0.8,
    twist_fwhm_deg: float = 5.0,
    azimuth_deg: float = 0.0,
    defocus: Callable[[FloatArray], FloatArray] | None = None,
    chi_deg: FloatArray | None = None,
    counts: float = 2_000.0,
    background_counts: float = 10.0,
    detector: Detector | None = None,
    seed: int | None = 0,
) -> tuple[Scan, TextureTruth]:
    """Tilt scan (χ), shape (N,), at the place of ``hkl``, other families within the 2θ opening too.

    Spinning: each pole is spread over its circle, 1/(2π sinχ). Fixed: the density of poles at
    ``azimuth_deg``, with σ_arc² = σ_in² sin²χ + σ_out² cos²χ across the scan. The path grows as
    1/(sinθ cosχ'), χ' being the tilt of the planes that reflect: the axial apertures let in all
    within their window about χ. ``defocus`` maps χ to the share of the line that still enters
    the slit. Random grains give m/(4π) poles a steradian at every tilt.
    """
    chi = np.arange(20.0, 70.25, 0.25) if chi_deg is None else np.asarray(chi_deg, float)
    if np.any(chi <= 0.0) or np.any(chi >= 90.0):
        raise StackError("chi_deg must lie between 0 and 90 degrees")
    lines = line_list(film.stack.film.phase, optics.radiation, two_theta_max_deg=120.0)
    place = _place(film, optics, hkl)
    families = [
        (int(row[0]), int(row[1]), int(row[2]))
        for row in lines.hkl
        if abs(_place(film, optics, (int(row[0]), int(row[1]), int(row[2]))) - place)
        <= two_theta_acceptance_deg / 2.0
    ]
    parts: dict[str, FloatArray] = {}
    wavelength_A = optics.radiation.mean_A
    box = float(divergence_on_sample_rad(place, optics, film.stack.sample_length_mm))
    groups = _pole_groups(film, optics, tuple(families))
    own, let_in = _seen_tilts(chi, place, optics, min(group.out_fwhm_deg for group in groups))
    sine, cosine = np.sin(np.radians(own)), np.cos(np.radians(own))
    for group in groups:
        out = np.radians(group.out_fwhm_deg) / FWHM_PER_SIGMA
        across = np.radians(own[:, None] - group.tilt_deg)
        along_tilt = np.exp(-0.5 * (across / out) ** 2) / (np.sqrt(2.0 * np.pi) * out)
        if azimuth == "spinning":
            density = along_tilt / (2.0 * np.pi * sine)[:, None]
        else:
            twist = np.radians(twist_fwhm_deg) / FWHM_PER_SIGMA
            arc = np.sqrt((twist * sine) ** 2 + (out * cosine) ** 2)[:, None] * np.sqrt(2.0)
            turn = (azimuth_deg - group.azimuth_deg + 180.0) % 360.0 - 180.0
            away = np.radians(turn) * sine[:, None]
            # the mean over the divergence
            within = erf((away + 0.5 * box) / arc) - erf((away - 0.5 * box) / arc)
            density = along_tilt * within / (2.0 * box)
        signal = density @ group.weight * group.bare
        signal *= _tilted_path(film, group.two_theta_deg, own, wavelength_A)
        parts[group.component] = parts.get(group.component, 0.0) + let_in @ signal
    if film.random > 0.0:
        flat = np.zeros_like(own)
        for family in families:
            row = lines.index(family)
            bare = _bare(film, optics, family)
            path = _tilted_path(film, _place(film, optics, family), own, wavelength_A)
            flat += film.random * bare * path * lines.multiplicity[row] / (4.0 * np.pi)
        parts["random"] = let_in @ flat
    if defocus is not None:
        parts = {name: signal * defocus(chi) for name, signal in parts.items()}
    scan, expected, parts = _finish(
        chi, "chi", parts, counts, background_counts, optics, detector, seed
    )
    truth = TextureTruth(
        Reflection(film.film_phase.key, hkl),
        place,
        expected,
        background_counts,
        None,
        None,
        None,
        parts,
    )
    return scan, truth


def _seen_tilts(
    chi_deg: FloatArray, two_theta_deg: float, optics: Optics, fwhm_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Tilts (M,) of planes that a χ scan (N,) sees, and how it weighs them, (N, M).

    The weights of a row are the axial window's mean over steps finer than the sharpest peak.
    """
    half_base = float(np.degrees(axial_half_base_rad(two_theta_deg, optics)))
    reach = 2.0 * half_base  # two stacks reach so far, the others less
    step = min(0.1 * fwhm_deg, 0.05 * half_base)
    low, high = max(chi_deg.min() - reach, 0.0), min(chi_deg.max() + reach, 90.0)
    count = int(np.ceil((high - low) / step))
    tilts = low + (np.arange(count) + 0.5) * (high - low) / count
    weights = axial_window((tilts - chi_deg[:, None]) / half_base, optics.axial)
    return tilts, weights * (high - low) / count / half_base


def _shown_azimuth_fwhm_deg(twist_deg: float, tilt_spread_deg: float, chi_deg: float) -> float:
    return float(np.hypot(twist_deg, tilt_spread_deg / np.tan(np.radians(chi_deg))))


def _place(film: SimulatedFilm, optics: Optics, hkl: Hkl) -> float:
    sine = optics.radiation.k_alpha1_A / (2.0 * float(film.film_phase.cell.d_spacing([hkl])[0]))
    if sine >= 1.0:
        raise StackError(f"{Reflection(film.film_phase.key, hkl)} does not reflect here")
    return float(2.0 * np.degrees(np.arcsin(sine)))


def _bare(film: SimulatedFilm, optics: Optics, hkl: Hkl) -> float:
    """P/sin2θ |F|²/V² T of the untilted film."""
    structure: Phase = film.stack.film.phase
    lines = line_list(structure, optics.radiation, two_theta_max_deg=120.0)
    squared = lines.f_squared[[_row(lines.hkl, hkl, structure)]]
    place = np.array([_place(film, optics, hkl)])
    return float(unoriented_strengths(film.film_phase, squared, place, optics, film.stack, 0)[0])


def _row(rows: np.ndarray, hkl: Hkl, phase: Phase) -> int:
    found = np.flatnonzero(np.all(rows == np.array(hkl), axis=1))
    if found.size == 0:
        raise StackError(
            f"{Reflection(phase.key, hkl)} is not listed; name the family as `xrdfilm phases` does"
        )
    return int(found[0])


def _tilted_path(
    film: SimulatedFilm, two_theta_deg: float, chi_deg: FloatArray, wavelength_A: float
) -> FloatArray:
    tilted = layer_path(two_theta_deg, film.stack, 0, wavelength_A, tilt_deg=chi_deg)
    return tilted / float(layer_path(two_theta_deg, film.stack, 0, wavelength_A))


def _pole_groups(
    film: SimulatedFilm, optics: Optics, families: tuple[Hkl, ...]
) -> list[_PoleGroup]:
    """Poles of every aligned component, weighted by its share of the film's volume."""
    phase = film.film_phase
    plans: list[tuple[str, Hkl, Hkl, float, float]] = [
        ("c_axis", (0, 0, 1), (1, 0, 0), film.c_axis, film.c_mosaic_fwhm_deg),
        (
            "a_axis",
            (1, 0, 0),
            (0, 0, 1),
            film.a_axis * film.a_normal_share,
            film.a_mosaic_fwhm_deg,
        ),
        (
            "a_axis",
            (0, 1, 0),
            (0, 0, 1),
            film.a_axis * (1.0 - film.a_normal_share),
            film.a_mosaic_fwhm_deg,
        ),
    ]
    groups: list[_PoleGroup] = []
    for name, normal, in_plane, share, mosaic in plans:
        if share <= 0.0:
            continue
        settings = in_plane_variants(phase, normal, in_plane)
        for family in families:
            sets = component_poles(phase, settings, family)
            groups.append(
                _PoleGroup(
                    name,
                    np.concatenate([poles.tilt_deg for poles in sets]),
                    np.concatenate([poles.azimuth_deg for poles in sets]),
                    share * np.concatenate([np.full(len(p), p.share) for p in sets]),
                    _place(film, optics, family),
                    family,
                    _bare(film, optics, family),
                    max(mosaic, 0.05),
                )
            )
    if not groups:
        raise StackError("the film has no oriented grains, so there is no texture to scan")
    return groups


def _finish(
    axis_deg: FloatArray,
    axis: Axis,
    parts: dict[str, FloatArray],
    counts: float,
    background_counts: float,
    optics: Optics,
    detector: Detector | None,
    seed: int | None,
) -> tuple[Scan, FloatArray, dict[str, FloatArray]]:
    """Scale to the stated counts at the top, add background, register."""
    detector = Detector() if detector is None else detector
    net = np.sum(list(parts.values()), axis=0)
    top = float(np.max(net))
    if top <= 0.0:
        raise StackError("nothing reflects within this scan")
    parts = {name: signal * (counts / top) for name, signal in parts.items()}
    expected = np.asarray(net * (counts / top) + background_counts)
    registered = detector.register(expected, np.random.default_rng(seed))
    scan = Scan(
        axis_deg=axis_deg,
        counts=registered,
        axis=axis,
        wavelength_A=optics.radiation.k_alpha1_A,
        anode=optics.radiation.anode,
        step_time_s=detector.step_time_s,
        format="simulated",
    )
    return scan, expected, parts
