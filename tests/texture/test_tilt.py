from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from xrdfilm.crystal import load_phase
from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import Estimate, from_draws
from xrdfilm.intensity.optics import Optics, axial_half_base_rad
from xrdfilm.intensity.stack import Layer, Stack, layer_path
from xrdfilm.simulate import SimulatedFilm
from xrdfilm.simulate.texture import simulate_tilt
from xrdfilm.texture.azimuth import azimuth_scan
from xrdfilm.texture.fractions import DRAWS
from xrdfilm.texture.orientation import as_record, fractions_of_ratio
from xrdfilm.texture.tilt import (
    DefocusCurve,
    TiltGeometry,
    azimuth_orientation,
    fit_tilt_scan,
    pole_groups,
    tilt_factors,
    tilt_orientation,
    tilt_scan_orientation,
    volume_ratio,
    with_random,
)
from xrdfilm.texture.tilt_model import TiltModel

ROOT = Path(__file__).parents[2]
YBCO = load_phase("YBCO")
OPTICS = Optics()
STACK = Stack(Layer(YBCO, 800.0), (), Layer(load_phase("SrTiO3"), None))
BOTH, ALONE = 3.0, 0.2  # 2θ openings that let (012) in beside (102), or not


def _factors(azimuth="fixed", opening=BOTH, share=0.5, stack=STACK, **kwargs):
    geometry = TiltGeometry(azimuth, two_theta_acceptance_deg=opening, **kwargs)
    return tilt_factors(YBCO, OPTICS, stack, geometry, a_normal_share=share)


def test_four_results_from_the_same_counts():
    """10 000 counts at 56.8 degrees and 500 at 33.2, by hand."""
    thin = replace(STACK, film=Layer(YBCO, 0.1))
    thick = _factors(opening=ALONE)
    thin_both = _factors(opening=ALONE, stack=thin)
    assert fractions_of_ratio(500 / 10_000) == pytest.approx(0.0476, abs=5e-5)  # as counted

    def share(factor):
        return fractions_of_ratio(volume_ratio(10_000.0, 500.0, factor))

    assert share(2.0 * thin_both.path) == pytest.approx(0.1326, abs=2e-4)
    assert share(2.0 * thick.path) == pytest.approx(0.1126, abs=2e-4)
    assert share(1.0 * thin_both.path) == pytest.approx(0.0710, abs=2e-4)
    # the factors of the package, with the spreads alike and no defocus
    assert thick.poles == pytest.approx(2.0)
    assert thick.azimuth == pytest.approx(1.0)
    assert thick.defocus == 1.0
    assert share(thick.total) == pytest.approx(0.1126, abs=2e-4)


@pytest.mark.parametrize(
    ("thickness_nm", "ratio"), [(0.1, 1.528), (300.0, 1.412), (800.0, 1.269), (1500.0, 1.144)]
)
def test_path_ratio_between_the_tilts(thickness_nm, ratio):
    # by hand, at (102), mu = 1078 per cm
    stack = replace(STACK, film=Layer(YBCO, thickness_nm))
    high, low = layer_path(
        27.9, stack, 0, OPTICS.radiation.mean_A, tilt_deg=np.array([56.79, 33.21])
    )
    assert high / low == pytest.approx(ratio, abs=0.002)
    assert _factors(opening=ALONE, stack=stack).path == pytest.approx(ratio, abs=0.002)


def test_poles_a_grain_by_enumeration():
    # grains carried as rotations: 2.00 both likely, about 1.55 all a-normal with (012) let in,
    # 1.00 (102) alone
    assert _factors(share=0.5).poles == pytest.approx(2.0)
    assert _factors(share=1.0).poles == pytest.approx(1.55, abs=0.02)
    assert _factors(share=1.0, opening=ALONE).poles == pytest.approx(1.0)
    # (102) alone sees half of the a-axis grains where both are equally likely
    assert _factors(share=0.5, opening=ALONE).poles == pytest.approx(2.0)


def test_azimuth_factor():
    # spinning: sin33.2/sin56.8 = 0.65, against the thin path ratio 1.53 it all but cancels
    thin = replace(STACK, film=Layer(YBCO, 0.1))
    spinning = _factors("spinning", ALONE, stack=thin)
    assert spinning.azimuth == pytest.approx(0.654, abs=0.002)
    assert spinning.azimuth * spinning.path == pytest.approx(1.0, abs=0.002)
    # fixed: up to 1.48 for 6 degrees in the plane and 1 out of it
    fixed = _factors("fixed", ALONE, in_plane_fwhm_deg=6.0, out_of_plane_fwhm_deg=1.0)
    assert 1.0 / fixed.azimuth == pytest.approx(1.48, abs=0.02)
    alike = _factors("fixed", ALONE, in_plane_fwhm_deg=4.0, out_of_plane_fwhm_deg=4.0)
    assert alike.azimuth == pytest.approx(1.0)


@pytest.mark.parametrize("azimuth", ["spinning", "fixed", "phi"])
@pytest.mark.parametrize("tilt", [33.2, 56.8])
def test_share_of_an_arc_against_grains_drawn_at_random(azimuth, tilt):
    """Poles of 400 000 grains turned by a twist and two tilts, counted in box and triangle."""
    geometry = TiltGeometry(
        azimuth, two_theta_acceptance_deg=ALONE, in_plane_fwhm_deg=6.0, out_of_plane_fwhm_deg=2.0
    )
    groups, _ = pole_groups(YBCO, OPTICS, geometry)
    model = TiltModel(YBCO, OPTICS, STACK, 0, geometry, groups)
    in_rad, out_rad = model.spreads(np.ones(1), None)
    rng = np.random.default_rng(3)
    n = 400_000
    chi = np.radians(tilt)
    pole = np.array([np.sin(chi), 0.0, np.cos(chi)])
    turns = rng.normal(0, [out_rad[0], out_rad[0], in_rad[0]], (n, 3))
    poles = pole + np.cross(turns, pole)
    poles /= np.linalg.norm(poles, axis=1)[:, None]
    at = np.arccos(poles[:, 2])
    phi = np.arctan2(poles[:, 1], poles[:, 0])
    half = float(axial_half_base_rad(model.two_theta_deg, OPTICS))
    if azimuth == "fixed":  # one of four azimuths
        counted = (np.abs(np.sin(at) * phi) < model.box_rad / 2) / 4
    elif azimuth == "spinning":
        counted = model.box_rad / (2 * np.pi * np.sin(at))
    else:
        triangle = np.maximum(0.0, 1 - np.abs(at - chi) / half) / half
        counted = triangle * model.box_rad / np.sin(at)
    error = counted.std() / n**0.5
    found = float(model.arc(tilt, in_rad, out_rad)[0])
    assert found == pytest.approx(counted.mean(), abs=4 * error, rel=3e-3)


def _film(**shares):
    return SimulatedFilm(stack=STACK, c_mosaic_fwhm_deg=3.0, a_mosaic_fwhm_deg=3.0, **shares)


GEOMETRY = {
    mode: TiltGeometry(
        mode, two_theta_acceptance_deg=1.2, in_plane_fwhm_deg=5.0, out_of_plane_fwhm_deg=3.0
    )
    for mode in ("spinning", "fixed")
}


@pytest.mark.parametrize("mode", ["spinning", "fixed"])
def test_simulated_tilt_scans_give_their_shares(mode):
    truth = {"c_axis": 0.7, "a_axis": 0.2, "random": 0.1}
    off = []
    for seed in range(6):
        scan, _ = simulate_tilt(
            _film(**truth),
            OPTICS,
            azimuth=mode,
            two_theta_acceptance_deg=1.2,
            twist_fwhm_deg=5.0,
            counts=50_000.0,
            background_counts=50.0,
            seed=seed,
        )
        found, fitted = tilt_scan_orientation(
            scan.axis_deg,
            scan.counts,
            YBCO,
            OPTICS,
            STACK,
            GEOMETRY[mode],
            background_counts=50.0,
            background_sigma=0.5,
        )
        assert fitted.reduced_chi_square < 1.5
        for name, share in truth.items():
            assert found.shares[name].low < share < found.shares[name].high
        off.append([found.shares[n].estimate - t for n, t in truth.items()])
    assert np.abs(np.mean(off, axis=0)).max() < 0.015
    assert found.route == "tilt"
    assert as_record(found).route == "tilt"
    assert any("V_a/V_c" in note for note in found.notes)


@pytest.mark.parametrize("mode", ["spinning", "fixed"])
def test_calibration_in_short(mode):
    """The first 60 films of benchmarks/calibration_orientation.py; 4 sigma of a count are 11 %."""
    path = ROOT / "benchmarks" / "calibration_orientation.py"
    spec = importlib.util.spec_from_file_location("calibration_orientation", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    found = module.calibrate_tilt(mode, 60)
    assert np.all(found["held"].mean(axis=0) > 0.84)
    strong = found["top"] > 3e3
    assert np.abs(np.median(found["off"][strong], axis=0)).max() < 0.012


def test_no_random_grains_are_told_of_a_sharp_film_without_any():
    """Grains of 1° beneath a window of nearly 10°: its flanks must not pass for a level."""
    scan, _ = simulate_tilt(
        SimulatedFilm(
            stack=STACK, c_axis=0.9, a_axis=0.1, random=0.0,
            c_mosaic_fwhm_deg=1.0, a_mosaic_fwhm_deg=1.0,
        ),
        OPTICS,
        two_theta_acceptance_deg=1.2,
        counts=20_000.0,
        background_counts=100.0,
        seed=2,
    )  # fmt: skip
    found, fitted = tilt_scan_orientation(
        scan.axis_deg,
        scan.counts,
        YBCO,
        OPTICS,
        STACK,
        replace(GEOMETRY["spinning"], out_of_plane_fwhm_deg=1.0),
        background_counts=100.0,
        background_sigma=1.0,
    )
    assert found.random.value is None
    assert found.random.high < 0.005
    assert fitted.level_counts == pytest.approx(100.0, abs=3.0)
    assert fitted.fwhm_c_deg == pytest.approx(1.0, abs=0.1)


def test_a_axis_peak_that_does_not_show_gives_a_limit():
    scan, _ = simulate_tilt(
        _film(c_axis=1.0, a_axis=0.0, random=0.0),
        OPTICS,
        azimuth="spinning",
        two_theta_acceptance_deg=1.2,
        counts=3000.0,
        background_counts=20.0,
        seed=3,
    )
    found, _ = tilt_scan_orientation(
        scan.axis_deg,
        scan.counts,
        YBCO,
        OPTICS,
        STACK,
        GEOMETRY["spinning"],
        background_counts=20.0,
        background_sigma=0.3,
    )
    assert found.a_axis.value is None
    assert found.a_axis.low == 0.0
    assert found.a_axis.high < 0.02


def test_without_background_the_others_leave_room_for_random():
    scan, _ = simulate_tilt(
        _film(c_axis=0.7, a_axis=0.2, random=0.1),
        OPTICS,
        azimuth="spinning",
        two_theta_acceptance_deg=1.2,
        counts=50_000.0,
        background_counts=50.0,
        seed=1,
    )
    found, _ = tilt_scan_orientation(
        scan.axis_deg, scan.counts, YBCO, OPTICS, STACK, GEOMETRY["spinning"]
    )
    assert found.random.value is None
    assert 0.1 < found.random.high < 0.5
    assert found.a_axis.low < 0.2 < found.a_axis.high
    assert found.c_axis.low < 0.7 < found.c_axis.high
    assert "was not measured" in " ".join(found.notes)


def test_random_share_of_the_coupled_lines_completes_a_tilt_scan():
    truth = {"c_axis": 0.7, "a_axis": 0.2, "random": 0.1}
    scan, _ = simulate_tilt(
        _film(**truth),
        OPTICS,
        azimuth="spinning",
        two_theta_acceptance_deg=1.2,
        counts=50_000.0,
        background_counts=50.0,
        seed=2,
    )
    alone, _ = tilt_scan_orientation(
        scan.axis_deg, scan.counts, YBCO, OPTICS, STACK, GEOMETRY["spinning"]
    )
    draws = np.random.default_rng(1).normal(0.1, 0.01, DRAWS)
    both = with_random(alone, from_draws(0.1, draws, bounds=(0.0, 1.0)))
    assert sum(e.estimate for e in both.shares.values()) == pytest.approx(1.0)
    for name, share in truth.items():
        assert both.shares[name].low < share < both.shares[name].high
        assert both.shares[name].value == pytest.approx(share, abs=0.03)
    assert both.a_axis.high - both.a_axis.low < alone.a_axis.high - alone.a_axis.low
    assert "that of the coupled lines" in both.notes[-1]
    # nothing to add where the other route does not know either, or the tilt scan does
    assert with_random(alone, Estimate(None, 0.0, 1.0)) is alone
    assert with_random(both, from_draws(0.3, draws, bounds=(0.0, 1.0))) is both


def test_an_unstated_opening_widens_the_interval():
    def sigma(opening, share_sigma=0.2):
        found = tilt_orientation(
            10_000.0,
            500.0,
            np.diag([100.0**2, 25.0**2]),
            YBCO,
            OPTICS,
            STACK,
            TiltGeometry("spinning", two_theta_acceptance_deg=opening),
            a_normal_share_sigma=share_sigma,
        )
        return found.a_axis, found.notes

    open_, notes = sigma(None)
    assert any("2θ opening is not stated" in note for note in notes)
    known, notes = sigma(BOTH)
    assert not any("2θ opening" in note for note in notes)
    assert open_.sources["2θ opening"] > 0.0
    assert known.sources.get("2θ opening", 0.0) < 0.3 * known.sigma


def test_defocus_curve_is_used_and_its_absence_told():
    curve = DefocusCurve((0.0, 30.0, 60.0, 80.0), (1.0, 0.95, 0.70, 0.4))
    with_it = _factors(defocus=curve)
    at_c, at_a = curve.at([with_it.tilt_c_deg, with_it.tilt_a_deg])
    assert with_it.defocus == pytest.approx(at_c / at_a, rel=1e-3)
    found = tilt_orientation(
        1e4, 500.0, np.diag([1e4, 900.0]), YBCO, OPTICS, STACK, TiltGeometry("spinning")
    )
    assert any("no defocus curve" in note for note in found.notes)
    assert found.a_axis.sources["defocus"] > 0.0


def test_few_azimuths_carry_unlike_variants():
    def a_axis(azimuths):
        geometry = replace(GEOMETRY["fixed"], azimuths_measured=azimuths)
        return tilt_orientation(1e4, 500.0, np.diag([1e4, 900.0]), YBCO, OPTICS, STACK, geometry)

    assert any("1 of 4 azimuths" in note for note in a_axis(1).notes)
    assert not any("of 4 azimuths" in note for note in a_axis(4).notes)


@pytest.mark.parametrize(
    ("low", "high", "missing"), [(45.0, 70.0, "a-axis"), (20.0, 50.0, "c-axis")]
)
def test_a_range_that_misses_a_pole_is_refused(low, high, missing):
    chi = np.arange(low, high, 0.25)
    with pytest.raises(CannotTellError, match=f"misses the pole of {missing} grains"):
        fit_tilt_scan(chi, np.full(chi.size, 50.0), YBCO, OPTICS, STACK, GEOMETRY["spinning"])


def test_saturation_and_useless_reflections_are_refused():
    chi = np.arange(20.0, 70.0, 0.25)
    counts = 50 + 9000 * np.exp(-(((chi - 56.7) / 2) ** 2))
    with pytest.raises(CannotTellError, match="saturates"):
        fit_tilt_scan(chi, np.minimum(counts, 5000.0), YBCO, OPTICS, STACK, GEOMETRY["spinning"])
    # (103) stands at 45.5 and 44.5 degrees, no use for a against c; (00l) not at all
    for hkl, why in (
        ((0, 0, 5), "no pole of c-axis grains"),
        ((1, 0, 3), "poles stand 0.1° apart"),
    ):
        with pytest.raises(CannotTellError, match=why):
            fit_tilt_scan(chi, counts, YBCO, OPTICS, STACK, replace(GEOMETRY["spinning"], hkl=hkl))
    flat = np.random.default_rng(3).poisson(20.0, chi.size)
    with pytest.raises(CannotTellError, match="shows no peak at 56"):
        fit_tilt_scan(chi, flat, YBCO, OPTICS, STACK, GEOMETRY["spinning"])
    ceria = load_phase("CeO2")
    with pytest.raises(CannotTellError, match="no reflection"):
        pole_groups(ceria, OPTICS, TiltGeometry("spinning", hkl=(1, 0, 2)))
    with pytest.raises(ValueError, match="spinning"):
        TiltGeometry("spun")


def test_a_tilted_film_is_told():
    chi = np.arange(20.0, 70.0, 0.25)
    mean = 30.0 + 5000 * np.exp(-(((chi - 58.7) / 2) ** 2))
    mean += 800 * np.exp(-(((chi - 35.3) / 2) ** 2))
    counts = np.random.default_rng(1).poisson(mean).astype(float)
    scan = fit_tilt_scan(chi, counts, YBCO, OPTICS, STACK, GEOMETRY["spinning"])
    assert scan.centre_c_deg == pytest.approx(58.7, abs=0.05)
    assert "instead of" in scan.notes[0]


def test_azimuth_scans_at_both_tilts():
    """Peak areas and ring built from the model's own signals at either tilt."""
    truth = {"c_axis": 0.7, "a_axis": 0.2, "random": 0.1}
    geometry = replace(GEOMETRY["spinning"], azimuth="phi")
    groups, _ = pole_groups(YBCO, OPTICS, geometry)
    model = TiltModel(YBCO, OPTICS, STACK, 0, geometry, groups)
    half = np.array([0.5])
    strength = model.f_squared[None, :]
    accepted = np.array([[1.0 if a is None else a for a in model.accepted]])
    chi_c, chi_a = model.mean_tilt("c_axis"), model.mean_tilt("a_axis")
    signal = {n: float(model.signal(n, half)[0]) for n in ("c_axis", "a_axis")}
    rings = [
        float(model.random_level(np.array([t, t]), strength, accepted, np.ones(1))[0])
        for t in (chi_c, chi_a)
    ]
    scale = 4 * 6.4e3 / (truth["c_axis"] * signal["c_axis"])
    phi = np.arange(0.0, 360.0, 0.5)
    peaks = sum(np.exp(-4 * np.log(2) * ((phi - 12 - 90 * k) / 5.0) ** 2) for k in range(-1, 5))
    peaks = peaks / (4 * 5.0 * 1.0645)
    rng = np.random.default_rng(2)

    def counts(name, ring):
        mean = 20 + scale * (truth[name] * signal[name] * peaks + truth["random"] * ring)
        return rng.poisson(mean).astype(float)

    scan_c = azimuth_scan(
        phi, counts("c_axis", rings[0]), background_counts=20.0, background_sigma=0.1
    )
    found = azimuth_orientation(
        scan_c, phi, counts("a_axis", rings[1]), YBCO, OPTICS, STACK, geometry
    )
    for name, share in truth.items():
        assert found.shares[name].low < share < found.shares[name].high
        assert found.shares[name].estimate == pytest.approx(share, abs=0.02)
