"""An invented run for the report's tests: films of every kind, with scans drawn to match.

The scans are plain sums of pseudo-Voigt lines with Poisson noise; they look like the real thing
and are no physics.
"""

from __future__ import annotations

import datetime
import hashlib
from dataclasses import dataclass

import numpy as np

from xrdfilm.analysis.picture import FilmPicture, GhostMark, SideScan, TickRow, Zone
from xrdfilm.decision.limits import LimitFile, decide, parse_limits
from xrdfilm.decision.quantities import quantities_of
from xrdfilm.estimate import Estimate, from_normal
from xrdfilm.results import (
    Film,
    Fluoride,
    Lattice,
    LeftOut,
    Line,
    Orientation,
    PhaseFinding,
    Provenance,
    Quantity,
    Run,
    RunResult,
    Texture,
)

LIMITS = parse_limits(
    """
title = "Invented specification 7, second edition"
[[grade]]
name = "long-length"
[[grade]]
name = "coupon"

[[limit]]
quantity = "conversion"
min = 0.95
[[limit]]
quantity = "fluoride_volume_fraction_aligned"
max = 0.01
[[limit]]
quantity = "a_axis_fraction"
max = 0.05
grade = "long-length"
[[limit]]
quantity = "a_axis_fraction"
max = 0.15
risk = 0.10
grade = "coupon"
[[limit]]
quantity = "c_A"
min = 11.66
max = 11.71
[[limit]]
quantity = "rocking_fwhm_deg"
max = 3.0
[[limit]]
quantity = "BaCeO3_detected"
max = 0
[[limit]]
quantity = "displacement_um"
min = -150
max = 150
"""
)

FRACTION = (0.0, 1.0)
C_A, A_A = 11.682, 3.82
CU_A = 1.540593


@dataclass(frozen=True)
class Kind:
    """What a kind of film is like: shares, and how well they were measured."""

    a_axis: float = 0.012
    sigma: float = 0.006
    random: float = 0.004
    fluoride: float = 0.001
    conversion: float = 0.985
    c_A: float = C_A
    rocking_deg: float = 1.42
    cerate: bool = False
    height: float = 30_000.0


KINDS = {
    "good": Kind(),
    "coupon": Kind(a_axis=0.082, sigma=0.009),
    "a-rich": Kind(a_axis=0.34, sigma=0.02, height=14_000),
    "unconverted": Kind(fluoride=0.12, conversion=0.71, height=9_000, rocking_deg=2.1),
    "undecided": Kind(a_axis=0.047, sigma=0.013, conversion=0.957, height=1_200),
    "cerate": Kind(cerate=True, c_A=11.694),
}


def _q(value: float, sigma: float, bounds=(None, None), **sources: float) -> Quantity:
    parts = sources or {"counting": 0.8 * sigma, "mosaic": 0.6 * sigma}
    return Quantity.of(from_normal(value, sigma, bounds=bounds, sources=parts))


def film_record(
    name: str, kind: Kind, rng: np.random.Generator, limits: LimitFile | None = LIMITS, **extra
) -> Film:
    a = kind.a_axis + rng.normal(0, 0.3 * kind.sigma)
    fluoride_sigma = 0.0008 + 0.05 * kind.fluoride
    seen = kind.fluoride > 0.01
    film = Film(
        film=name,
        verdict="undecided",
        reasons=[],
        fluoride=Fluoride(
            detected=seen,
            route="structure",
            volume_fraction_aligned=_q(kind.fluoride, fluoride_sigma, FRACTION),
            volume_fraction_random=_q(kind.fluoride * 1.5, 0.06, FRACTION),
            conversion=_q(kind.conversion, 0.008, FRACTION),
            detection_limit_aligned=3.3 * 0.0008,
            detection_limit_random=0.15,
            cell_A=_q(6.1854, 0.0031) if seen else None,
            hf_bound_ug_cm2=_q(400 * kind.fluoride, 6.0, (0.0, None)),
            orientation="aligned (00l)" if seen else None,
            index=_q(kind.fluoride / 5, 0.001),
            notes=[]
            if seen
            else ["The orientation of the fluoride cannot be told while no line of it shows."],
            advice=[]
            if seen
            else [
                "A scan of a reference film (same stack, dried before growth) would settle it.",
                "2.4 times the counting time over 24° to 26° would halve the aligned limit.",
            ],
        ),
        orientation=Orientation(
            route="coupled",
            c_axis=_q(1 - a - kind.random, 1.1 * kind.sigma, FRACTION),
            a_axis=_q(a, kind.sigma, FRACTION),
            random=_q(kind.random, 0.01, FRACTION),
            other=None,
            lines_used=["YBCO (003)", "YBCO (005)", "YBCO (007)", "YBCO (200)", "YBCO (103)"],
            lines_left_out=[
                LeftOut(line="YBCO (006)", why="falls on YBCO (020): cannot be held apart"),
                LeftOut(line="YBCO (102)", why="under the tungsten ghost of Ni-5W (200)"),
            ],
            chi_square=4.1,
            degrees_of_freedom=3,
        ),
        lattice=Lattice(
            c_A=_q(kind.c_A, 0.0011),
            displacement_um=_q(-23.0, 6.0),
            zero_deg=_q(0.004, 0.003),
            oxygen=_q(6.91, 0.06),
            crystallite_size_nm=_q(64.0, 9.0),
            alignment_from="substrate lines Ni-5W (200) and four (00l) lines",
        ),
        texture=Texture(
            rocking_fwhm_deg=_q(kind.rocking_deg, 0.03),
            azimuth_fwhm_deg=None,
        ),
        phases=[
            PhaseFinding(phase="YBCO", detected=True, lines=["(003)", "(005)"], note=""),
            PhaseFinding(
                phase="BaF2",
                detected=seen,
                lines=["(200)"] if seen else [],
                note="" if seen else "nothing above the decision limit at four places",
            ),
            PhaseFinding(phase="CeO2", detected=True, lines=["(200)"], note="buffer"),
            PhaseFinding(
                phase="BaCeO3",
                detected=kind.cerate,
                lines=["(002)"] if kind.cerate else [],
                note="reaction product with the buffer",
            ),
            PhaseFinding(
                phase="CuO", detected=False, lines=[], note="(111) at 38.7° not above L_C"
            ),
        ],
        lines=[
            Line(
                phase="YBCO",
                hkl=(0, 0, index),
                two_theta_deg=_q(place, 0.002),
                area=_q(kind.height * 0.3 * strength, kind.height * 0.002),
                fwhm_deg=_q(0.21, 0.004),
                significance=120.0 * strength,
            )
            for index, place, strength in _c_lines(kind.c_A)
        ],
        warnings=[
            "Intensities fall off towards low angles: the beam may overspill the 10 mm sample.",
            "No azimuth scan: the in-plane spread is not known.",
        ],
        provenance=Provenance(
            files={f"{name}.xy": hashlib.sha256(name.encode()).hexdigest()},
            version="0.1.0",
            settings={
                "film": "YBCO",
                "thickness_nm": 800,
                "substrate": "Ni-5W",
                "buffers": [{"phase": "CeO2", "thickness_nm": 75}],
                "anode": "Cu",
                "mosaic_deg": {"c_axis": 1.4, "assumed": False},
                "level": 0.95,
            },
        ),
        **extra,
    )
    if limits is None:
        return film
    found: dict[str, Estimate | None] = dict(quantities_of(film))
    reasons, verdict, grade = decide(found, limits, counting_time_s=2400.0)
    return film.model_copy(update={"reasons": reasons, "verdict": verdict, "grade": grade})


def unreadable(name: str, **extra) -> Film:
    return Film(
        film=name,
        verdict="unreadable",
        reasons=[],
        fluoride=None,
        orientation=None,
        lattice=None,
        texture=None,
        phases=[],
        lines=[],
        warnings=[f"{name}.xy:812: expected 2 columns, found 1; the file ends in mid-line"],
        provenance=Provenance(files={f"{name}.xy": "0" * 64}, version="0.1.0", settings={}),
        **extra,
    )


def _c_lines(c_A: float):
    for index, strength in ((2, 0.12), (3, 0.45), (4, 0.04), (5, 1.0), (6, 0.75), (7, 0.3)):
        yield index, 2 * np.degrees(np.arcsin(index * CU_A / 2 / c_A)), strength


def picture(kind: Kind, rng: np.random.Generator, points: int = 4500) -> FilmPicture:
    axis = np.linspace(10.0, 60.0, points)
    background = 90 + 400 * np.exp(-(axis - 10) / 6.0)
    lines = [
        (place, kind.height * strength * (1 - kind.a_axis), 0.21)
        for _, place, strength in _c_lines(kind.c_A)
    ]
    lines += [
        (23.27, kind.height * 0.25 * kind.a_axis, 0.3),
        (47.58, kind.height * kind.a_axis, 0.3),
    ]
    lines += [(33.08, 3e3, 0.28), (51.85, 2e5, 0.3), (46.6, 900, 0.35), (49.3, 700, 0.35)]
    lines += [(28.75, 9e4 * kind.fluoride * 0.1, 0.4), (28.77, 9e4 * kind.fluoride, 0.4)]
    if kind.cerate:
        lines.append((28.62, 420, 0.4))
    fitted = background.copy()
    windows = []
    for place, height, width in lines:
        x = (axis - place) / (width / 2)
        fitted += height * (0.6 * np.exp(-np.log(2) * x**2) + 0.4 / (1 + x**2))
        windows.append((place - 8 * width, place + 8 * width))
    counts = rng.poisson(fitted).astype(float)
    inside = np.zeros(points, dtype=bool)
    merged: list[Zone] = []
    for low, high in sorted(windows):
        inside |= (axis >= low) & (axis <= high)
        if merged and low <= merged[-1].high_deg:
            merged[-1] = Zone(merged[-1].low_deg, max(high, merged[-1].high_deg))
        else:
            merged.append(Zone(low, high))
    omega = np.linspace(14.0, 24.0, 201)
    rocking = 40 + 4000 * np.exp(-4 * np.log(2) * ((omega - 19.2) / kind.rocking_deg) ** 2)
    c_places = list(_c_lines(kind.c_A))
    return FilmPicture(
        two_theta_deg=axis,
        counts=counts,
        fitted=np.where(inside, fitted, np.nan),
        background=background,
        ticks=(
            TickRow(
                "YBCO",
                np.array([p for _, p, _ in c_places] + [23.27, 32.8, 47.58]),
                (*[f"00{i}" for i, _, _ in c_places], "100", "103", "200"),
                "film",
            ),
            TickRow(
                "BaF2",
                np.array([24.87, 28.77, 41.17, 48.71]),
                ("111", "200", "220", "311"),
                "fluoride",
            ),
            TickRow("BaCeO3", np.array([28.62, 40.9, 50.8]), ("002", "022", "222"), "product"),
            TickRow(
                "CeO2",
                np.array([28.55, 33.08, 47.48, 56.34]),
                ("111", "200", "220", "311"),
                "buffer",
            ),
            TickRow("Ni-5W", np.array([44.3, 51.6]), ("111", "200"), "substrate"),
        ),
        ghosts=(
            GhostMark(46.6, "K-beta of Ni-5W (200)"),
            GhostMark(49.3, "W L-alpha of Ni-5W (200)"),
            GhostMark(34.72, "K-beta of YBCO (005)"),
        ),
        hidden=(Zone(50.6, 53.1, "under Ni-5W (200)"),),
        windows=tuple(merged),
        side_scans=(
            SideScan(
                "rocking",
                "rocking scan of YBCO (005)",
                omega,
                rng.poisson(rocking).astype(float),
                rocking,
                "ω / °",
            ),
        ),
    )


def run(count: int = 12, *, points: int = 4500, positions: bool = True, seed: int = 3):
    """A run of ``count`` films and their pictures, in the order of a reel."""
    rng = np.random.default_rng(seed)
    order = [
        "good",
        "good",
        "coupon",
        "a-rich",
        "good",
        "unconverted",
        "undecided",
        "good",
        "cerate",
        "good",
        "unreadable",
        "good",
    ]
    films, pictures = [], {}
    for number in range(count):
        kind = order[number % len(order)]
        name = f"R-0142-{number + 1:02d}"
        place = {"position_m": 1.5 + 0.5 * number} if positions else {}
        if kind == "unreadable":
            films.append(unreadable(name, **place))
            continue
        films.append(film_record(name, KINDS[kind], rng, recipe={"growth_time_min": 60}, **place))
        pictures[name] = picture(KINDS[kind], rng, points)
    return RunResult(
        run=Run(
            id="R-0142",
            date=datetime.date(2031, 3, 4),
            operator_note="Second zone refilled before the run; <b>not</b> a new bottle.",
            recipe={"growth_temperature_C": 780, "water_vapour_mbar": 23, "growth_time_min": 60},
        ),
        films=films,
    ), pictures
