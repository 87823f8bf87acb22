"""What may stand beside a fluoride line: the stack's lines and the ghosts of strong ones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.invented import premises_on, scan_of
from xrdfilm.crystal import load_phase
from xrdfilm.crystal.radiation import radiation, two_theta_of
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.linemap.neighbours import (
    NeighbourShapes,
    heights_near,
    shape_of,
    stack_neighbours,
)
from xrdfilm.linemap.phase_shapes import PhaseShape
from xrdfilm.linemap.stack_lines import lines_of_stack, overlapping
from xrdfilm.lines import Reflection

CU = radiation("Cu")
X = np.arange(15.0, 80.0, 0.02)
FILM = Layer(load_phase("YBCO"), 500.0)
TAPE = Stack(
    FILM,
    (Layer(load_phase("CeO2"), 75.0), Layer(load_phase("La2Zr2O7"), 200.0)),
    Layer(load_phase("Ni-5W"), None),
)


SHAPES = NeighbourShapes(0.08, 0.3, 1.5418)


def peak(place: float, height: float) -> np.ndarray:
    return height * np.exp(-(((X - place) / 0.05) ** 2))


def labels(counts, stack, low, high):
    found = stack_neighbours(X, counts, stack, CU, [(low, high)], SHAPES)[0]
    return {n.label: n for n in found}


def test_misoriented_buffer_grains_are_neighbours():
    found = labels(50.0 + 0 * X, TAPE, 28.0, 30.0)
    # CeO2 (111) at 28.55 and La2Zr2O7 (222) at 28.60 are one place to the fit
    near = [n for n in found.values() if abs(n.place_deg - 28.57) < 0.06]
    assert near


def test_ghosts_stand_where_the_trade_knows_them():
    # by hand: K-beta of Ni(200) 46.54 for Ni (here Ni-5W: a = 3.545), W of YBCO (005) 36.84
    nickel = Stack(FILM, (), Layer(load_phase("Ni"), None))
    counts = 100.0 + peak(51.85, 1e5) + peak(38.51, 2e4)
    beta = labels(counts, nickel, 46.2, 46.9)["K-beta of Ni (200)"]
    assert beta.place_deg == pytest.approx(46.54, abs=0.03)
    assert not beta.doublet
    tungsten = labels(counts, nickel, 36.5, 37.2)["W L-alpha1 of YBCO (005)"]
    assert tungsten.place_deg == pytest.approx(36.84, abs=0.03)


def test_half_wavelength_of_nickel_falls_into_the_fluoride_range():
    # λ/2 of the (200) planes stands where (100) would: d = 3.545 Å, 2θ = 25.10 by Bragg's law
    counts = 100.0 + peak(51.5, 1e6)
    found = labels(counts, TAPE, 24.6, 25.9)
    assert found["half wavelength of Ni-5W (200)"].place_deg == pytest.approx(25.10, abs=0.02)


def test_a_strong_line_in_a_gap_of_the_scan_throws_ghosts_all_the_same():
    """The substrate's peak is often left out, or excluded; its ghosts are in the scan."""
    counts = 100.0 + peak(51.5, 1e6)
    kept = (X < 50.0) | (X > 53.0)
    (found,) = stack_neighbours(X[kept], counts[kept], TAPE, CU, [(48.6, 49.8)], SHAPES)
    ghost = {n.label: n for n in found}["W L-alpha1 of Ni-5W (200)"]
    assert ghost.ceiling_area is None  # of a peak that was not measured
    heights, _ = heights_near(X[kept], counts[kept], np.array([51.5, 40.0]), True)
    assert np.isnan(heights).tolist() == [True, False]


def test_lines_of_high_orders_are_named_as_measured_lines_are():
    tenth = str(Reflection("YBCO", (0, 0, 10)))
    d_ratio = 1.003
    moved, stated = (
        {n.label: n.place_deg for n in rows[0]}
        for rows in (
            stack_neighbours(X, 100.0 + 0 * X, TAPE, CU, [(81.0, 84.0)], SHAPES, spacings=spacings)
            for spacings in ({tenth: d_ratio}, None)
        )
    )
    sines = [np.sin(np.radians(places[tenth] / 2.0)) for places in (stated, moved)]
    assert sines[0] / sines[1] == pytest.approx(d_ratio, rel=1e-9)


def test_weak_parents_throw_no_ghosts():
    quiet = labels(100.0 + 0 * X, TAPE, 24.6, 25.9)
    assert not any("K-beta" in label for label in quiet)


def test_feet_of_strong_lines_reach_into_the_window():
    strontium = Stack(FILM, (), Layer(load_phase("SrTiO3"), None))
    assert "SrTiO3 (100)" in labels(50.0 + peak(22.75, 1e5), strontium, 24.0, 26.5)
    assert "SrTiO3 (100)" not in labels(50.0 + 0 * X, strontium, 24.0, 26.5)


def test_overlapping_names_who_shares_200():
    assert overlapping(28.78, TAPE, CU, 0.35)[0] in ("CeO2 (111)", "La2Zr2O7 (222)")
    assert overlapping(28.78, Stack(FILM, (), Layer(load_phase("SrTiO3"), None)), CU, 0.35) == ()


def test_shape_is_gaussian_or_lorentzian_at_the_ends():
    large = shape_of(30.0, 0.1, 0.0, 1e6, CU.mean_A)
    assert large.fwhm_deg == pytest.approx(0.1, rel=1e-3)
    assert large.lorentz_fraction == pytest.approx(0.0, abs=2e-3)
    small = shape_of(30.0, 1e-4, 0.0, 20.0, CU.mean_A)
    # Scherrer with K = 0.9 by hand: 0.9 × 0.154187 nm / (20 nm × cos 15°) = 7.183e-3 rad = 0.4116°
    assert small.fwhm_deg == pytest.approx(0.4116, rel=2e-3)
    assert small.lorentz_fraction == pytest.approx(1.0, abs=2e-3)


def test_ghosts_do_not_hang_on_the_scale_of_the_intensities():
    """A normalised scan has the same strong lines, and so the same ghosts, as its counts."""
    premises = premises_on("tape", 4.5)
    scan, _ = scan_of(premises)
    windows = [(24.0, 26.0), (40.5, 42.0)]
    rays = premises.optics.radiation
    labels = [
        {n.label for n in row}
        for factor in (1.0, 100.0 / float(scan.counts.max()), 7.3)
        for row in stack_neighbours(
            scan.axis_deg,
            scan.counts * factor,
            premises.stack,
            rays,
            windows,
            SHAPES,
            poisson=factor == 1.0,
        )
    ]
    assert any("half wavelength" in label for label in labels[0])
    assert labels[0] == labels[2] == labels[4]
    assert labels[1] == labels[3] == labels[5]


def test_of_ghosts_at_one_place_the_highest_comes_first():
    """Tungsten of a tape's (200) stands on K-beta of YBCO (007): whichever can be higher matters."""
    film = float(two_theta_of(FILM.phase.cell.c_A / 7.0, CU.k_alpha1_A))
    nickel = float(two_theta_of(3.545 / 2.0, CU.k_alpha1_A))
    broad = replace(SHAPES, broadened=4.0)
    for heights, name in (
        ((1e5, 1e3), "W L-alpha1 of Ni-5W (200)"),
        ((1e3, 1e5), "K-beta of YBCO (007)"),
    ):
        counts = 200.0 + peak(nickel, heights[0]) + peak(film, heights[1])
        found = stack_neighbours(X, counts, TAPE, CU, [(48.5, 50.0)], broad)[0]
        near = [n for n in found if n.ghost and 49.1 < n.place_deg < 49.4]
        assert near[0].label == name


def test_measured_shapes_are_those_of_a_phases_lines_and_ghosts():
    wide = PhaseShape(0.1, 0.15, 0.0, 9.0, 0.65)
    counts = 100.0 + peak(38.51, 1e5)
    found = stack_neighbours(X, counts, TAPE, CU, [(32.0, 39.0)], SHAPES, measured={"YBCO": wide})[
        0
    ]
    by_label = {n.label: n for n in found}
    line, beta = by_label["YBCO (005)"], by_label["K-beta of YBCO (005)"]
    assert line.shape == wide.at(line.place_deg)
    # 1/cos 19.25° = 1.0592: 0.1 + 0.15·1.0592
    assert line.shape.fwhm_deg == pytest.approx(0.2589, abs=2e-4)
    assert beta.shape == wide.at(beta.place_deg)
    others = [n for n in found if "YBCO" not in n.label and "Ni-5W" not in n.label]
    assert others
    assert all(n.shape == SHAPES.at(n.place_deg) for n in others)


def test_lines_and_their_ghosts_stand_where_spacings_were_found():
    counts = 100.0 + peak(38.51, 1e5) + peak(33.0, 1e5)
    stated, found = (
        {n.label: n for row in rows for n in row}
        for rows in (
            stack_neighbours(X, counts, TAPE, CU, [(28.0, 39.0), (61.0, 63.0)], SHAPES, spacings=s)
            for s in (None, {"CeO2": 1.004, "YBCO (005)": 0.998})
        )
    )
    for label, ratio, wavelength in (
        ("CeO2 (111)", 1.004, CU.k_alpha1_A),
        ("K-beta of CeO2 (400)", 1.004, CU.k_beta_A),
        ("YBCO (005)", 0.998, CU.k_alpha1_A),
        ("K-beta of YBCO (005)", 0.998, CU.k_beta_A),
    ):
        if label not in found and label not in stated:  # too near another to be listed
            continue
        d = wavelength / (2.0 * np.sin(np.radians(stated[label].place_deg / 2.0)))
        moved = float(two_theta_of(d * ratio, wavelength))
        assert found[label].place_deg == pytest.approx(moved, abs=1e-6)
    assert {"CeO2 (111)", "YBCO (005)", "K-beta of YBCO (005)"} <= found.keys()
    untouched = [n for label, n in found.items() if "YBCO (004)" in label]
    assert untouched
    assert all(n.place_deg == stated[n.label].place_deg for n in untouched)


def test_a_place_on_a_point_of_the_scan_is_found_whichever_way_it_is_rounded() -> None:
    """Places reckoned from the scan's own points come back a last digit up or down."""
    x = np.arange(20.0, 30.0, 0.02)
    counts = np.random.default_rng(5).poisson(50.0, x.size).astype(float)
    on, below, above = (
        heights_near(x, counts, moved, True)[0]
        for moved in (x[60:400], np.nextafter(x[60:400], 0.0), np.nextafter(x[60:400], 90.0))
    )
    assert on.tobytes() == below.tobytes() == above.tobytes()


def test_off_normal_lines_of_the_film_have_what_random_grains_would_show():
    level, noise = 100.0, 10.0
    strong = load_phase("YBCO")
    # (103), (110), (013) of random grains 300 counts high, and all others in proportion
    listed = lines_of_stack(TAPE, CU)
    own = [
        (place, share)
        for place, share, owner, sure in zip(
            listed.place_deg, listed.powder_share, listed.owners, listed.certain, strict=True
        )
        if owner == strong.key and not sure and share > 0.0
    ]
    counts = level + sum(peak(place, 300.0 * share) for place, share in own)
    windows = [(57.0, 64.0)]

    def ceilings(y):
        found = stack_neighbours(X, y, TAPE, CU, windows, SHAPES)[0]
        return {n.label: n for n in found if n.label.startswith("YBCO") and not n.ghost}

    random, bare = ceilings(counts), ceilings(level + 0.0 * X)
    line = random["YBCO (123)"]
    true = 300.0 * dict(zip(listed.labels, listed.powder_share, strict=True))["YBCO (123)"]
    # it may have what it has, and a few times as much, for grains may prefer a direction
    assert 1.0 < line.ceiling_area / (true * line.shape.fwhm_deg) < 8.0
    # where nothing of random grains shows, no more than noise would hide: 3 sigma of the strongest
    assert bare["YBCO (123)"].ceiling_area < 0.3 * line.ceiling_area
    assert bare["YBCO (123)"].ceiling_area > 3.0 * 0.1 * noise * line.shape.fwhm_deg
    # of a line along a normal nothing is said
    assert random["YBCO (008)"].ceiling_area is None
