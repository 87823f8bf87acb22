"""The whole chain on films without fluoride that might be taken for it, and judged by limits.

Films come in runs of `SHARED` that share stack, thickness and mosaic, as those of a pilot line do.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from fluoride_cases import ANGLES, Case, draw_case, stacks

from xrdfilm.analysis.film import FilmAnalysis, FilmInput, analyse_films
from xrdfilm.analysis.premises import premises_of
from xrdfilm.analysis.record import film_record
from xrdfilm.crystal import load_phase
from xrdfilm.decision.limits import parse_limits
from xrdfilm.intensity.model import random
from xrdfilm.linemap.stack_lines import K_BETA, TUNGSTEN
from xrdfilm.runfile import RunFile
from xrdfilm.simulate import (
    Background,
    BufferTexture,
    Ghosts,
    Minor,
    Truth,
    fluoride,
    simulate_scan,
)
from xrdfilm.simulate.film import Grains

SHARED = 20
CRYSTAL, TAPE, ALL = 0, 2, (0, 1, 2, 3)  # of `fluoride_cases.stacks`
FLUORIDE_RANGES_DEG = ((23.5, 26.1), (28.2, 30.2), (40.6, 43.0), (59.0, 62.5))
LIMITS = "".join(
    f'[[limit]]\nquantity = "{name}"\n{bound}\nrisk = 0.05\n\n'
    for name, bound in (
        ("fluoride_volume_fraction", "max = 0.02"),
        ("fluoride_volume_fraction_aligned", "max = 0.02"),
        ("fluoride_volume_fraction_random", "max = 0.02"),
        ("conversion", "min = 0.95"),
        ("hf_bound_ug_cm2", "max = 2.0"),
    )
)
Film = tuple[Case, tuple[Minor, ...]]


def chain(films: Sequence[Film], seed: int) -> list[tuple[FilmAnalysis, Truth]]:
    """The chain on simulated films that share stack and mosaic, with what a user would state."""
    case = films[0][0]
    stack = case.film.stack
    stated = {
        "stack": {
            "film": stack.film.phase.key,
            "thickness_nm": stack.film.thickness_nm,
            "substrate": stack.substrate.phase.key if stack.substrate else None,
            "buffers": [
                {"phase": b.phase.key, "thickness_nm": b.thickness_nm} for b in stack.buffers
            ],
            "sample_length_mm": stack.sample_length_mm,
        },
        "optics": {"step_time_s": 1.0},
        "assumptions": {"c_axis_mosaic_deg": case.mosaic_deg, "mosaic_factor": 1.3},
    }
    premises = premises_of(RunFile.model_validate(stated))
    made = [
        simulate_scan(
            replace(case.film, minor=others), case.optics, counts=case.counts,
            two_theta_deg=ANGLES, instrument=case.instrument, seed=seed + i,
        )
        for i, (case, others) in enumerate(films)
    ]  # fmt: skip
    inputs = [FilmInput(f"film {i}", premises, scan) for i, (scan, _) in enumerate(made)]
    truths = [truth for _, truth in made]
    return list(zip(analyse_films(inputs), truths, strict=True))


def _runs(films: int, key: int, most_counts: float, which: Sequence[int]) -> Iterator[list[Case]]:
    """Runs of films on one of the stacks ``which``, with 100 to ``most_counts`` at the top."""
    for at in range(0, films, SHARED):
        rng = np.random.default_rng([at, key])
        case = draw_case(rng)
        stack = stacks(case.film.stack.film.thickness_nm or 500.0)[int(rng.choice(which))]
        case = replace(case, film=replace(case.film, stack=stack))
        yield [_counted(case, rng, most_counts) for _ in range(min(SHARED, films - at))]


def _counted(case: Case, rng: np.random.Generator, most: float) -> Case:
    counts = float(np.exp(rng.uniform(np.log(100.0), np.log(most))))
    level = counts * float(np.exp(rng.uniform(np.log(0.002), np.log(0.03)))) + 2.0
    instrument = replace(case.instrument, background=Background(level_counts=level))
    return replace(case, counts=counts, instrument=instrument)


def _beside(case: Case, rng: np.random.Generator) -> Film:
    """Misoriented and random grains of CeO2 and La2Zr2O7: (111) at 28.55°, (222) at 28.59°."""
    texture = BufferTexture(
        4.0, fraction_111=float(rng.uniform(0.01, 0.1)), fraction_random=float(rng.uniform(0, 0.1))
    )
    return replace(case, film=replace(case.film, buffers=(texture,))), ()


def _carbonate(case: Case, rng: np.random.Generator) -> Film:
    """Random BaCO3: (111) and (021) at 23.9 and 24.3°."""
    share = float(np.exp(rng.uniform(np.log(0.02), np.log(0.4))))
    return case, (Minor(load_phase("BaCO3"), share, (Grains(random()),)),)


def _ghosts(k_beta: float, tungsten: float) -> Callable[[Case, np.random.Generator], Film]:
    def change(case: Case, rng: np.random.Generator) -> Film:
        strong = Ghosts(
            k_beta=float(rng.uniform(0.2, 1.0)) * k_beta,
            tungsten=float(rng.uniform(0.2, 1.0)) * tungsten,
            half_wavelength=0.001,
        )
        return replace(case, instrument=replace(case.instrument, ghosts=strong)), ()

    return change


NO_FLUORIDE: dict[str, tuple[Sequence[int], Callable[[Case, np.random.Generator], Film]]] = {
    "CeO2 (111) and La2Zr2O7 (222)": ((TAPE,), _beside),
    "BaCO3 (111) and (021)": (ALL, _carbonate),
    # the most that `xrdfilm.linemap.stack_lines` allows for
    f"K-beta ghosts of up to {100 * K_BETA:g} %": (ALL, _ghosts(K_BETA, 0.0008)),
    f"W ghosts of up to {100 * TUNGSTEN:g} %": (ALL, _ghosts(0.003, TUNGSTEN)),
}


@dataclass(frozen=True)
class Misled:
    """Whether the chain called fluoride, and whether a line that might mislead it stands out."""

    called: bool
    misleading: bool


def no_fluoride_films(kind: str, films: int) -> list[Misled]:
    """Films without fluoride through the chain; those of which it can tell nothing are left out."""
    which, change = NO_FLUORIDE[kind]
    rows: list[Misled] = []
    for at, cases in enumerate(_runs(films, 13, 1e5, which)):
        rng = np.random.default_rng([at, 15])
        made = [change(case, rng) for case in cases]
        for (case, _), (analysis, truth) in zip(made, chain(made, 1000 * at), strict=True):
            if analysis.fluoride is not None:
                rows.append(Misled(analysis.fluoride.detected, _misleading(case, truth)))
    return rows


def _misleading(case: Case, truth: Truth) -> bool:
    blank = np.sqrt(case.instrument.background.level_counts * 0.3 * (ANGLES[1] - ANGLES[0]))
    film = case.film.stack.film.phase.key
    return any(
        line.area_counts_deg > 5.0 * blank
        and any(low < line.observed_deg < high for low, high in FLUORIDE_RANGES_DEG)
        and (line.reflection.phase != film or line.ghost is not None)
        for line in truth.lines
    )


def judged_films(share: float, films: int, most_counts: float = 1e4) -> list[dict[str, str]]:
    """The outcome of each of `LIMITS`, film by film, on tape and on SrTiO3.

    ``share`` is the volume fraction of fluoride aligned like the film. A film of which nothing can
    be told has no outcomes.
    """
    limits = parse_limits(LIMITS)
    outcomes = []
    for at, cases in enumerate(_runs(films, 14, most_counts, (CRYSTAL, TAPE))):
        part = fluoride(load_phase("BaF2"), share, "aligned", mosaic_fwhm_deg=cases[0].mosaic_deg)
        made = [(case, (part,) if share else ()) for case in cases]
        for analysis, _ in chain(made, 1000 * at):
            reasons = film_record(analysis, limits).reasons
            outcomes.append({reason.quantity: reason.outcome for reason in reasons})
    return outcomes
