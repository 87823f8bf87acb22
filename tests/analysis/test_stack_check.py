"""A stack that is not that of the sample is told, and nothing weak is judged on it."""

from dataclasses import replace

import numpy as np
import pytest

from tests.invented import OPTICS
from xrdfilm.analysis.film import FilmAnalysis, FilmInput, analyse_films
from xrdfilm.analysis.premises import Premises, premises_of
from xrdfilm.analysis.record import film_record
from xrdfilm.crystal import load_phase
from xrdfilm.decision.limits import LimitFile
from xrdfilm.runfile import RunFile
from xrdfilm.scan import Scan
from xrdfilm.simulate import SimulatedFilm, SubstrateTexture, fluoride, simulate_scan

BUFFERS = [
    {"phase": "CeO2", "thickness_nm": 75.0},
    {"phase": "La2Zr2O7", "thickness_nm": 200.0},
]
LIMITS = LimitFile.model_validate(
    {
        "limit": [
            {"quantity": "fluoride_volume_fraction", "max": 0.9},
            {"quantity": "conversion", "min": 0.01},
            {"quantity": "CuO_detected", "max": 0},
            {"quantity": "BaF2_detected", "max": 0},
        ]
    }
)
SUBSTRATES = ("SrTiO3", "LaAlO3", "MgO", "Ni-5W")


def premises(substrate: str) -> Premises:
    stack = {
        "film": "YBCO",
        "thickness_nm": 800.0,
        "substrate": substrate,
        "buffers": BUFFERS if substrate == "Ni-5W" else [],
    }
    return premises_of(RunFile.model_validate({"optics": OPTICS, "stack": stack}))


def scanned(substrate: str, weakening: float = 0.3) -> Scan:
    stated = premises(substrate)
    tape = substrate == "Ni-5W"
    mosaic = 4.5 if tape else 0.7
    below = SubstrateTexture(
        "tape" if tape else "crystal", 6.0 if tape else 0.05, weakening=weakening
    )
    film = SimulatedFilm(
        stack=stated.stack, c_mosaic_fwhm_deg=mosaic, a_mosaic_fwhm_deg=mosaic, substrate=below
    )
    return simulate_scan(film, stated.optics, seed=4, displacement_um=60.0)[0]


def analysed(scan: Scan, stated: str) -> FilmAnalysis:
    (film,) = analyse_films([FilmInput("f", premises(stated), scan)])
    return film


@pytest.mark.parametrize("true", SUBSTRATES)
def test_another_stack_is_told_with_the_substrate_that_fits(true: str) -> None:
    scan = scanned(true)
    for stated in SUBSTRATES:
        film = analysed(scan, stated)
        told = [text for text in film.warnings if "state the stack" in text]
        if stated == true:
            assert told == []
            assert film.fluoride is not None
        elif film.unreadable is None:
            assert len(told) == 1
            assert f"no line of {stated} alone was found" in told[0]
            assert f"{true} (" in told[0]
            record = film_record(film, LIMITS)
            assert record.verdict == "undecided"
            assert {reason.outcome for reason in record.reasons} == {"undecided"}
            assert all(true in reason.text for reason in record.reasons)
            stack = {layer.phase.key for layer in film.premises.stack.layers}
            assert {p.phase for p in record.phases if p.detected} <= stack


def test_a_substrate_that_does_not_show_is_no_other_stack() -> None:
    """Cut off its planes, a crystal shows nothing in a coupled scan; the film is judged."""
    stated = premises("MgO")
    part = fluoride(load_phase("BaF2"), 0.05, mosaic_fwhm_deg=0.7)
    film = SimulatedFilm(
        stack=replace(stated.stack, substrate=None), c_axis=0.8, a_axis=0.15, random=0.05,
        c_mosaic_fwhm_deg=0.7, a_mosaic_fwhm_deg=0.7, minor=(part,),
    )  # fmt: skip
    scan = simulate_scan(film, stated.optics, seed=2, top_of=(0, 0, 5))[0]
    found = analysed(scan, "MgO")
    assert not any("state the stack" in text for text in found.warnings)
    assert found.fluoride is not None
    assert found.fluoride.detected
    assert np.isfinite(scan.counts).all()


def bare_tape() -> Premises:
    """Tape of which nobody stated the buffers."""
    stated = premises("Ni-5W")
    return replace(stated, stack=replace(stated.stack, buffers=()))


@pytest.mark.parametrize("seed", range(4))
def test_unstated_buffers_are_asked_for_and_nothing_weak_is_judged(seed: int) -> None:
    stack = premises("Ni-5W").stack
    film = SimulatedFilm(stack=stack, c_mosaic_fwhm_deg=4.5, a_mosaic_fwhm_deg=4.5)
    scan, _ = simulate_scan(
        film, premises("Ni-5W").optics, counts=10.0 ** (3 + 0.5 * seed), seed=seed
    )
    (found,) = analyse_films([FilmInput("f", bare_tape(), scan)])
    assert found.fluoride is None
    assert any("state the buffers" in note for note in found.warnings)
    record = film_record(found, LIMITS)
    assert record.verdict == "undecided"
    # stated, they are no news
    (known,) = analyse_films([FilmInput("f", premises("Ni-5W"), scan)])
    assert known.fluoride is not None


@pytest.mark.parametrize(("a_axis", "random"), [(0.0, 0.0), (0.3, 0.3)])
def test_a_tape_that_has_no_buffers_is_asked_for_none(a_axis: float, random: float) -> None:
    stated = bare_tape()
    part = fluoride(load_phase("BaF2"), 0.1, "aligned", mosaic_fwhm_deg=4.5)
    film = SimulatedFilm(
        stack=stated.stack, c_mosaic_fwhm_deg=4.5, a_mosaic_fwhm_deg=4.5,
        c_axis=1.0 - a_axis - random, a_axis=a_axis, random=random, minor=(part,),
    )  # fmt: skip
    scan, _ = simulate_scan(film, stated.optics, counts=1e4, seed=2)
    (found,) = analyse_films([FilmInput("f", stated, scan)])
    assert found.fluoride is not None
    assert found.fluoride.detected
