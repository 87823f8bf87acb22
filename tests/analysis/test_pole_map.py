"""Poles of the scanned reflections, for the sketch."""

import numpy as np
import pytest

from tests.invented import premises_on
from xrdfilm.analysis.film import FilmInput, analyse_films
from xrdfilm.analysis.pole_map import pole_maps
from xrdfilm.analysis.side_scans import SideScans
from xrdfilm.runfile import AngleScan, TiltScan
from xrdfilm.simulate import SimulatedFilm, simulate_azimuth
from xrdfilm.simulate.texture import simulate_tilt


def test_poles_of_both_kinds_of_grains_stand_where_they_are_scanned_for() -> None:
    premises = premises_on("tape", 4.5)
    film = SimulatedFilm(stack=premises.stack, c_axis=0.8, a_axis=0.15, random=0.05)
    phi, _ = simulate_azimuth(film, premises.optics, twist_fwhm_deg=5.0)
    chi, _ = simulate_tilt(film, premises.optics)
    side = SideScans(
        (),
        ((AngleScan(hkl=(1, 0, 3), file="phi.xy"), phi),),
        (TiltScan(hkl=(1, 0, 2), file="chi.xy", azimuth="spinning"), chi),
    )
    (analysis,) = analyse_films([FilmInput("x", premises, None, side)])
    around, tilted = pole_maps(analysis)
    assert around.scanned_deg[0] == around.scanned_deg[1] == pytest.approx(45.5, abs=0.2)
    # tilts of (102) and (012): 56.79°, 56.35° for c-axis grains, 33.21°, 33.65° for a-axis ones
    for places, tilts in ((tilted.c_axis, (56.79, 56.35)), (tilted.a_axis, (33.21, 33.65))):
        assert np.unique(places[:, 0]) == pytest.approx(sorted(tilts), abs=0.1)
        for tilt in np.unique(places[:, 0]):
            azimuths = np.sort(places[places[:, 0] == tilt, 1])
            assert azimuths == pytest.approx([0.0, 90.0, 180.0, 270.0], abs=0.05)
    assert tilted.title == "YBCO (102) and YBCO (012)"
    assert tilted.scanned_deg == (chi.axis_deg[0], chi.axis_deg[-1])
