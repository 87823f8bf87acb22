"""Simulated films of known truth for the fluoride's calibration: stacks, premises, what is wrong.

Stacks on single crystals and on buffered tape, mosaic 0.3 to 7°, thickness 0.2 to 2 µm, counts
100 to 100 000 at the film's top.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from xrdfilm.crystal import load_phase
from xrdfilm.fitting.detection import fit_at_places
from xrdfilm.fluoride.estimate import FluorideEstimate, FluorideSettings, estimate_fluoride
from xrdfilm.fluoride.model import ModelDoubt
from xrdfilm.intensity.model import Orientation, a_axis, c_axis, random
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.lines import MeasuredLine, MeasuredLines, Reflection
from xrdfilm.scan import Scan
from xrdfilm.simulate import (
    Background,
    BufferTexture,
    Instrument,
    Minor,
    SimulatedFilm,
    Truth,
    fluoride,
    grid,
    simulate_scan,
)
from xrdfilm.simulate.shape import thompson_cox_hastings

ASSUMPTION = {"aligned": "aligned_00l", "aligned_111": "aligned_111", "random": "random"}
ANGLES = grid(20.0, 64.0, 0.03)


def stacks(thickness_nm: float) -> list[Stack]:
    film = Layer(load_phase("YBCO"), thickness_nm)
    ceria, zirconate = Layer(load_phase("CeO2"), 75.0), Layer(load_phase("La2Zr2O7"), 200.0)
    manganite = Layer(load_phase("LaMnO3-pc"), 60.0)
    return [
        Stack(film, (), Layer(load_phase("SrTiO3"), None)),
        Stack(film, (), Layer(load_phase("LaAlO3"), None)),
        Stack(film, (ceria, zirconate), Layer(load_phase("Ni-5W"), None)),
        Stack(film, (manganite,), Layer(load_phase("MgO"), None)),
    ]


def components(film: SimulatedFilm) -> tuple[tuple[Orientation, float], ...]:
    return (
        (c_axis(film.c_mosaic_fwhm_deg), film.c_axis),
        (a_axis(film.a_mosaic_fwhm_deg), film.a_axis),
        (random(), film.random),
    )


def measured_film_lines(scan: Scan, truth: Truth) -> MeasuredLines:
    """(00l) of the film, fitted at their true places and shapes where nothing else stands."""
    radiation, film = truth.optics.radiation, truth.film
    key, lines = film.stack.film.phase.key, []
    for hkl in ((0, 0, 5), (0, 0, 6), (0, 0, 4), (0, 0, 3)):
        own = [
            line
            for line in truth.lines
            if line.reflection == Reflection(key, hkl)
            and line.ghost is None
            and line.component == "c_axis"
        ]
        if not own:
            continue
        line = own[0]
        near = sum(
            t.area_counts_deg
            for t in truth.lines
            if abs(t.observed_deg - line.observed_deg) < 0.5 and t.reflection != line.reflection
        )
        if near > 0.02 * line.area_counts_deg:
            continue
        gauss, lorentz = truth.instrument.breadth.gauss_lorentz_deg(
            np.array([line.two_theta_deg]),
            radiation.k_alpha1_A,
            film.stack.film.thickness_nm,
            film.film_microstrain,
        )
        fwhm, eta = thompson_cox_hastings(gauss, lorentz)
        at = line.observed_deg
        fit = fit_at_places(
            scan.axis_deg, scan.counts, [at], float(fwhm[0]), float(eta[0]), radiation,
            at - 0.9, at + 0.9, 2, known=[True],
        )  # fmt: skip
        area, sigma = float(fit.areas[0]), float(fit.sigma[0])
        blank = float(fit.sigma_blank[0])
        lines.append(
            MeasuredLine(
                members=(line.reflection,),
                place="forced",
                expected_deg=at,
                two_theta_deg=at,
                two_theta_sigma_deg=0.001,
                area_counts_deg=area,
                area_sigma_counts_deg=sigma,
                fwhm_deg=float(fwhm[0]),
                fwhm_sigma_deg=0.001,
                lorentz_fraction=float(eta[0]),
                significance=area / blank,
                decision_area=1.645 * blank,
                detection_area=3.29 * blank,
                background_counts=float(fit.background[0]),
            )
        )
    covariance = np.diag([line.area_sigma_counts_deg**2 for line in lines])
    return MeasuredLines(tuple(lines), covariance)


@dataclass(frozen=True)
class Case:
    """A film as the analysis believes it to be, and the instrument."""

    film: SimulatedFilm
    optics: Optics
    instrument: Instrument
    counts: float
    orientation: str
    mosaic_deg: float


def draw_case(rng: np.random.Generator) -> Case:
    thickness = float(np.exp(rng.uniform(np.log(200), np.log(2000))))
    mosaic = float(np.exp(rng.uniform(np.log(0.3), np.log(7.0))))
    counts = float(np.exp(rng.uniform(np.log(100), np.log(1e5))))
    stack = stacks(thickness)[int(rng.integers(4))]
    film = SimulatedFilm(
        stack=stack,
        c_axis=0.93,
        a_axis=0.04,
        random=0.03,
        c_mosaic_fwhm_deg=mosaic,
        a_mosaic_fwhm_deg=mosaic,
        buffers=(BufferTexture(max(mosaic, 2.0), fraction_random=0.01),),
    )
    level = counts * float(np.exp(rng.uniform(np.log(0.002), np.log(0.03)))) + 2.0
    instrument = Instrument(background=Background(level_counts=level))
    orientation = str(rng.choice(["aligned", "aligned_111", "random"]))
    return Case(film, Optics(), instrument, counts, orientation, mosaic)


def run(
    case: Case,
    fraction: float,
    doubt: ModelDoubt,
    seed: int,
    *,
    truth_of: Callable[[Case], Case] = lambda case: case,
    cell_a_A: float | None = None,
    size_nm: float = 40.0,
    others: tuple[Minor, ...] = (),
) -> FluorideEstimate | None:
    """Simulate the true film and analyse it with the believed premises."""
    true = truth_of(case)
    minor: tuple[Minor, ...] = others
    if fraction > 0.0:
        minor += (
            fluoride(
                load_phase("BaF2"), fraction, true.orientation,  # type: ignore[arg-type]
                mosaic_fwhm_deg=true.mosaic_deg, cell_a_A=cell_a_A, size_nm=size_nm,
            ),
        )  # fmt: skip
    scan, truth = simulate_scan(
        replace(true.film, minor=minor),
        true.optics,
        counts=true.counts,
        two_theta_deg=ANGLES,
        instrument=true.instrument,
        seed=seed,
    )
    lines = measured_film_lines(scan, truth)
    if not len(lines):
        return None
    settings = FluorideSettings(doubt=doubt, fluoride_mosaic_deg=case.mosaic_deg)
    return estimate_fluoride(
        scan, lines, components(case.film), case.film.stack, case.optics, settings
    )


def drawn_truth(rng: np.random.Generator, doubt: ModelDoubt) -> Callable[[Case], Case]:
    """The truth as far from the premises as ``doubt`` says it may be."""
    z = rng.standard_normal(4)
    common = doubt.mosaic_factor ** z[0]
    own = doubt.fluoride_mosaic_factor ** z[1]
    thickness = max(1.0 + doubt.thickness * z[2], 0.3)
    aperture = max(1.0 + doubt.aperture * z[3], 0.3)
    return lambda case: _changed(case, common, common * own, thickness, aperture)


def off_truth(rng: np.random.Generator) -> Callable[[Case], Case]:
    common = 1.5 ** rng.choice([-1.0, 1.0])
    thickness = 1.0 / (1.0 + 0.15 * rng.choice([-1.0, 1.0]))
    return lambda case: _changed(case, common, common, thickness, 1.0)


def _changed(
    case: Case, film_mosaic: float, fluoride_mosaic: float, thickness: float, aperture: float
) -> Case:
    film, layer = case.film, case.film.stack.film
    nominal = layer.thickness_nm or 0.0
    stack = replace(film.stack, film=replace(layer, thickness_nm=nominal * thickness))
    film = replace(
        film,
        stack=stack,
        c_mosaic_fwhm_deg=film.c_mosaic_fwhm_deg * film_mosaic,
        a_mosaic_fwhm_deg=film.a_mosaic_fwhm_deg * film_mosaic,
    )
    optics = replace(case.optics, axial_acceptance_deg=case.optics.axial_acceptance_deg * aperture)
    return replace(case, film=film, optics=optics, mosaic_deg=case.mosaic_deg * fluoride_mosaic)
