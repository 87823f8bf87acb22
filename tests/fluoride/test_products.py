"""Leftovers and reaction products on simulated films: found, limited, not borrowed."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from xrdfilm.crystal import load_phase
from xrdfilm.crystal.radiation import two_theta_of
from xrdfilm.fitting.profile import pseudo_voigt
from xrdfilm.fluoride.products import (
    find_products,
    main_places_deg,
    possible_products,
    stands_elsewhere,
)
from xrdfilm.intensity.model import Orientation
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.lines import MeasuredLines
from xrdfilm.scan import Scan
from xrdfilm.simulate import (
    Background,
    Instrument,
    Minor,
    SimulatedFilm,
    grid,
    simulate_scan,
)
from xrdfilm.simulate.film import Grains

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
import calibration_fluoride as calibration

YBCO = load_phase("YBCO")
STO = Stack(Layer(YBCO, 800.0), (), Layer(load_phase("SrTiO3"), None))
TAPE = Stack(
    Layer(YBCO, 800.0),
    (Layer(load_phase("CeO2"), 75.0), Layer(load_phase("La2Zr2O7"), 200.0)),
    Layer(load_phase("Ni-5W"), None),
)
ANGLES = grid(15.0, 75.0, 0.03)
OPTICS = Optics()


def scanned(stack=STO, minor=(), seed=1, mosaic=4.0, counts=3e4):
    film = SimulatedFilm(
        stack=stack, c_mosaic_fwhm_deg=mosaic, a_mosaic_fwhm_deg=mosaic, minor=minor
    )
    scan, truth = simulate_scan(
        film, OPTICS, counts=counts, top_of=(0, 0, 5), two_theta_deg=ANGLES,
        instrument=Instrument(background=Background(200.0)), seed=seed,
    )  # fmt: skip
    return scan, calibration.measured_film_lines(scan, truth), calibration.components(film)


def findings(stack=STO, **more):
    scan, lines, components = scanned(stack, **more)
    return {f.phase: f for f in find_products(scan, lines, components, stack, OPTICS)}


def test_which_products_a_stack_can_have():
    assert "BaCeO3" not in possible_products(STO)
    assert {"BaCeO3", "NiO", "NiWO4"} <= set(possible_products(TAPE))
    gadolinium = Stack(Layer(load_phase("GdBCO"), 800.0), (), STO.substrate)
    assert "Y2O3" not in possible_products(gadolinium)
    assert "CuO" in possible_products(gadolinium)


@pytest.mark.parametrize("key", ["CuO", "Y2O3", "Y2BaCuO5", "Y2Cu2O5", "BaCO3"])
def test_a_product_is_found_with_its_amount(key):
    # a fifth of the volume, on a film broad enough (4°) for random grains to show beside it
    found = findings(minor=(Minor(load_phase(key), 0.2, size_nm=60.0),), counts=1e5)
    assert found[key].detected, found[key]
    interval = found[key].volume_fraction
    assert interval.low < 0.2 < interval.high
    assert interval.value == pytest.approx(0.2, rel=0.3)
    assert found[key].record().lines


@pytest.mark.parametrize("key", ["BaCeO3", "NiO"])
def test_products_of_buffer_and_tape(key):
    found = findings(TAPE, minor=(Minor(load_phase(key), 0.2, size_nm=60.0),))
    assert found[key].detected, found[key]


def test_a_clean_film_gets_limits():
    alarms = 0
    for seed in range(12):
        found = findings(seed=seed)
        alarms += any(f.detected for f in found.values())
        for key in ("CuO", "Y2O3"):
            if found[key].detected:
                continue
            assert found[key].volume_fraction.value is None
            assert 0.0 < found[key].volume_fraction.high < 0.2
            assert found[key].note.startswith("not above")
    assert alarms <= 4  # stated 5 % a film: more than 4 of 12 has a probability of 2e-4


def test_limits_hold_what_hides_below_them():
    held = []
    for seed in range(15):
        found = findings(minor=(Minor(load_phase("CuO"), 0.03, size_nm=60.0),), seed=seed)
        interval = found["CuO"].volume_fraction
        held.append(interval.low <= 0.03 <= interval.high)
    assert np.mean(held) >= 12 / 15


def test_strong_fluoride_is_no_product():
    aligned = Grains(Orientation("aligned", (((0, 0, 1), 1.0),), 1.0))
    fluoride = Minor(load_phase("BaF2"), 0.05, (aligned,))
    scan, lines, components = scanned(minor=(fluoride,), mosaic=1.0)
    found = find_products(scan, lines, components, STO, OPTICS, taken_deg=(28.775, 59.60))
    assert [f.phase for f in found if f.detected] == []


def test_phase_without_atoms_is_not_judged():
    finding = findings()["BaCuO2"]
    assert not finding.detected
    assert finding.volume_fraction is None
    assert "not judged" in finding.note


def test_textured_product_is_found_by_one_line():
    aligned = Orientation("h00", (((0, 0, 2), 1.0),), 4.0)
    found = findings(minor=(Minor(load_phase("BaCO3"), 0.02, (Grains(aligned),)),))
    carbonate = found["BaCO3"]
    if any(line.hkl == (0, 0, 2) for line in carbonate.lines):
        assert carbonate.detected
    else:  # (002) is not among the lines looked for: then there is nothing to find
        assert not carbonate.detected


def test_without_film_lines_there_is_a_finding_but_no_amount():
    scan, _, components = scanned(minor=(Minor(load_phase("Y2O3"), 0.15),))
    none = MeasuredLines((), np.zeros((0, 0)))
    found = {f.phase: f for f in find_products(scan, none, components, STO, OPTICS)}
    assert found["Y2O3"].detected
    assert found["Y2O3"].volume_fraction is None
    assert found["CuO"].note == "not seen"


def test_owner_of_a_line_shows_elsewhere_or_not():
    yttria = load_phase("Y2O3")
    places = [float(main_places_deg(yttria, OPTICS, STO)[0])]
    scan, _, _ = scanned(minor=(Minor(yttria, 0.3),), counts=1e5)
    assert stands_elsewhere(scan, yttria, places, STO, OPTICS, 0.08)[0] == "present"
    # fluoride with (200) near yttria's (222) has none of yttria's other lines
    fluoride = Minor(
        load_phase("BaF2"),
        0.05,
        (Grains(Orientation("aligned", (((0, 0, 1), 1.0),), 4.0)),),
        cell_a_A=6.12,
    )
    other, _, _ = scanned(minor=(fluoride,))
    assert stands_elsewhere(other, yttria, places, STO, OPTICS, 0.08)[0] == "absent"


@pytest.mark.parametrize("c_A", [11.67, 11.69, 11.71])
def test_k_beta_of_a_broad_film_line_is_no_carbonate(c_A):
    """K-beta of YBCO (005) falls within 0.1° of BaCO3 (130), and is as wide as the film's line."""
    film = YBCO.with_cell(c_A=c_A)
    stack = replace(STO, film=Layer(film, 800.0))
    rays = OPTICS.radiation
    parent = two_theta_of(c_A / 5.0, rays.k_alpha1_A)
    ghost = two_theta_of(c_A / 5.0, rays.k_beta_A)
    x = grid(30.0, 45.0, 0.02)
    mean = 200.0 + 6000.0 * pseudo_voigt(x, parent, 0.25, 0.6)
    mean += 36.0 * pseudo_voigt(x, ghost, 0.25, 0.6)
    called = 0
    for seed in range(10):
        scan = Scan(x, np.random.default_rng(seed).poisson(mean).astype(float))
        none = MeasuredLines((), np.zeros((0, 0)))
        (found,) = find_products(
            scan, none, (), stack, OPTICS, keys=("BaCO3",), instrument_fwhm_deg=0.1
        )
        called += found.detected
        assert found.lines
        assert all(abs(line.two_theta_deg - ghost) > 0.1 for line in found.lines)
    assert called <= 2
