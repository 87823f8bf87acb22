"""The window in closed form against the sphere integrated by numbers and against traced rays."""

import importlib.util
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy.special import erf

from xrdfilm.intensity.optics import (
    Optics,
    axial_half_base_rad,
    divergence_on_sample_rad,
    polarisation,
)
from xrdfilm.intensity.window import (
    FWHM_PER_SIGMA,
    axial_window,
    mosaic_from_rocking_fwhm_deg,
    rocking_fwhm_deg,
    window_aligned,
    window_random,
)

SIGMAS_DEG = [0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 4.0, 6.0, 8.0, 10.0]
ANGLES = [10.0, 22.8, 38.5, 55.0, 90.0]
ARRANGEMENTS = ["apertures", "one_stack", "two_stacks"]


def _raytrace():
    path = Path(__file__).parents[2] / "benchmarks" / "raytrace.py"
    spec = importlib.util.spec_from_file_location("raytrace", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["raytrace"] = module
    spec.loader.exec_module(module)
    return module


def on_the_sphere(box, half_base, sigma, log_density, axial="apertures"):
    """Integral over directions, in two great-circle coordinates, with any angle's density.

    ``log_density`` takes the angle from the normal; its norm over the sphere is integrated too.
    """
    nodes, weights = np.polynomial.legendre.leggauss(200)

    def spans(limit, knots):
        edges = [0.0, *[k for k in knots if 0 < k < limit], limit]
        for low, high in pairwise(edges):
            half = 0.5 * (high - low)
            yield low + half * (nodes + 1.0), half * weights

    reach = {"apertures": 1.0, "one_stack": 1.5, "two_stacks": 2.0}[axial]
    cuts = [4 * sigma, 12 * sigma, *(half_base * np.array([0.5, 1.0, 1.5]))]
    total = 0.0
    for x, wx in spans(min(box / 2, 40 * sigma), [4 * sigma, 12 * sigma]):
        for y, wy in spans(min(reach * half_base, 40 * sigma), cuts):
            cosine = np.cos(x)[:, None] * np.cos(y)
            angle = np.arccos(np.clip(cosine, -1, 1))
            angle = np.where(cosine > 1 - 1e-9, np.hypot(x[:, None], y), angle)
            tri = axial_window(y / half_base, axial)
            total += 4.0 * wx @ (np.exp(log_density(angle)) * np.cos(y) * tri) @ wy
    norm = 0.0
    for w, ww in spans(min(np.pi, 40 * sigma), [4 * sigma, 12 * sigma]):
        norm += 2.0 * np.pi * ww @ (np.exp(log_density(w)) * np.sin(w))
    return total / norm


@pytest.mark.parametrize("axial", ARRANGEMENTS)
@pytest.mark.parametrize("length_mm", [3.0, 10.0, 60.0])
def test_aligned_window_is_the_integral_over_the_orientation_density(axial, length_mm):
    # Density: R. A. Fisher, Proc. R. Soc. Lond. A 217 (1953) 295, the normal law on the sphere
    optics = Optics(axial=axial)
    for angle in ANGLES:
        box = float(divergence_on_sample_rad(angle, optics, length_mm))
        half_base = float(axial_half_base_rad(angle, optics))
        for sigma_deg in SIGMAS_DEG:
            sigma = np.radians(sigma_deg)
            numeric = on_the_sphere(
                box, half_base, sigma, lambda w, s=sigma: -2.0 * (np.sin(w / 2) / s) ** 2, axial
            )
            closed = float(window_aligned(angle, FWHM_PER_SIGMA * sigma_deg, optics, length_mm))
            assert closed == pytest.approx(numeric, rel=0.01), (angle, sigma_deg)


def test_gaussian_in_the_tilt_angle_differs_by_its_norm_alone():
    # exp(−ω²/2σ²) on the sphere holds σ²/3 less than on the plane: 1.02 % at σ = 10°
    optics = Optics()
    for sigma_deg in SIGMAS_DEG:
        sigma = np.radians(sigma_deg)
        numeric = on_the_sphere(
            float(divergence_on_sample_rad(38.5, optics, 10.0)),
            float(axial_half_base_rad(38.5, optics)),
            sigma,
            lambda w, s=sigma: -0.5 * (w / s) ** 2,
        )
        closed = float(window_aligned(38.5, FWHM_PER_SIGMA * sigma_deg, optics, 10.0))
        assert closed == pytest.approx(numeric * (1.0 - sigma**2 / 3.0), rel=0.002), sigma_deg


@pytest.mark.parametrize("axial", ARRANGEMENTS)
@pytest.mark.parametrize(("length_mm", "lit_mm"), [(4.0, None), (10.0, None), (10.0, 6.0)])
def test_window_agrees_with_traced_rays(axial, length_mm, lit_mm):
    # 4 mm overspills at every angle below 63°, 10 mm below 24°
    raytrace = _raytrace()
    goniometer = raytrace.Goniometer(sample_length_mm=length_mm, axial=axial, illuminated_mm=lit_mm)
    slit = "fixed" if lit_mm is None else "variable"
    optics = Optics(axial=axial, slit=slit, illuminated_mm=lit_mm)
    for angle in (15.0, 38.5, 70.0):
        for mosaic in (0.05, 0.3, 1.0, 6.0, 20.0):
            traced = raytrace.traced_window(angle, mosaic, goniometer, log2_rays=13)
            closed = float(window_aligned(angle, mosaic, optics, length_mm))
            assert closed == pytest.approx(traced, rel=0.03), (angle, mosaic)
        traced = raytrace.traced_window(angle, None, goniometer, multiplicity=8, log2_rays=13)
        closed = float(window_random(angle, 8, optics, length_mm))
        assert closed == pytest.approx(traced, rel=0.03), angle


def test_random_grains_give_back_the_powder_lorentz_factor():
    # m P/(sin²θ cosθ), e.g. Cullity & Stock, Elements of X-Ray Diffraction (2001), ch. 4 (memory)
    optics = Optics(monochromator_2theta_deg=26.6)
    angles = np.linspace(25.0, 140.0, 50)  # nothing spills over
    multiplicity = np.resize([2, 4, 6, 8, 12, 24, 48], 50)
    theta = np.radians(angles / 2)
    ours = polarisation(angles, optics) / np.sin(2 * theta)
    ours = ours * window_random(angles, multiplicity, optics, 20.0)
    powder = multiplicity * polarisation(angles, optics) / (np.sin(theta) ** 2 * np.cos(theta))
    assert ours / powder == pytest.approx(np.full(50, ours[0] / powder[0]), rel=1e-12)


@pytest.mark.parametrize("axial", ARRANGEMENTS)
def test_broad_mosaic_tends_to_the_random_window_times_the_pole_density(axial):
    optics = Optics(axial=axial)
    angles = np.array(ANGLES)
    sigma = np.radians(500.0)  # of the tangent plane, only to reach the limit
    aligned = window_aligned(angles, np.degrees(sigma) * FWHM_PER_SIGMA, optics, 10.0)
    density = (1.0 / (2.0 * np.pi * sigma**2)) / (1.0 / (4.0 * np.pi))
    assert aligned == pytest.approx(density * window_random(angles, 1, optics, 10.0), rel=1e-3)


@pytest.mark.parametrize("axial", ARRANGEMENTS)
def test_perfect_crystal_reflects_whole_even_where_the_beam_spills_over(axial):
    optics = Optics(axial=axial)
    assert window_aligned([5.0, 40.0, 120.0], 0.0, optics, 2.0) == pytest.approx([1, 1, 1])
    assert window_aligned([5.0, 40.0, 120.0], 1e-5, optics, 2.0) == pytest.approx(
        [1, 1, 1], rel=1e-4
    )


def test_overspill_costs_random_grains_their_share_and_a_sharp_film_nothing():
    optics = Optics()
    short, long = 3.0, 60.0
    lost_random = window_random(20.0, 2, optics, short) / window_random(20.0, 2, optics, long)
    sine = np.sin(np.radians(10.0))
    assert float(lost_random) == pytest.approx(short * sine / (240.0 * np.radians(0.5)))
    lost_sharp = window_aligned(20.0, 0.02, optics, short) / window_aligned(
        20.0, 0.02, optics, long
    )
    assert float(lost_sharp) == pytest.approx(1.0, abs=1e-6)


def test_triangle_and_not_a_box_across_the_plane():
    """A box of the same area would err by up to a fifth, yet agree in both limits."""
    angle, optics, length = 38.5, Optics(), 1000.0
    half_base = float(axial_half_base_rad(angle, optics))
    half_box = float(divergence_on_sample_rad(angle, optics, length)) / 2
    mosaics = np.geomspace(0.1, 20.0, 40)
    sigma = np.radians(mosaics) / FWHM_PER_SIGMA * np.sqrt(2.0)
    boxes = erf(half_box / sigma) * erf(half_base / 2 / sigma)
    error = np.abs(boxes / window_aligned(angle, mosaics, optics, length) - 1.0)
    assert 0.15 < error.max() < 0.25
    assert error[[0, -1]] == pytest.approx([0.0, 0.0], abs=0.02)


@pytest.mark.parametrize(
    ("axial", "area", "reach"),
    [("apertures", 1.0, 1.0), ("one_stack", 4 / 3, 1.5), ("two_stacks", 1.5, 2.0)],
)
def test_axial_windows_are_the_folded_transmissions(axial, area, reach):
    # fold the transmissions of the two sides numerically: box of width 1, triangle of FWHM 1
    fine = np.arange(-3.0, 3.0005, 0.001)
    box = (np.abs(fine) < 0.4999) + 0.5 * np.isclose(np.abs(fine), 0.5, atol=1e-6)
    triangle = np.maximum(0.0, 1.0 - np.abs(fine))
    first = box if axial == "apertures" else triangle
    second = triangle if axial == "two_stacks" else box
    folded = np.convolve(first, second, mode="same")
    folded /= folded.max()
    assert axial_window(fine, axial) == pytest.approx(folded, abs=2e-3)
    assert np.sum(axial_window(fine, axial)) * 0.001 == pytest.approx(area, rel=1e-3)
    assert axial_window(reach, axial) == pytest.approx(0.0)


def test_rocking_scan_is_the_window_at_an_offset():
    optics = Optics(divergence_deg=0.5)
    offsets = np.linspace(-3.0, 3.0, 6001)
    curve = window_aligned(38.5, 0.3, optics, 40.0, offset_deg=offsets)
    above = offsets[curve >= curve.max() / 2]
    shown = above[-1] - above[0]
    # 0.3° of mosaic shows as 0.52° behind a divergence of 0.5° (folded numerically, 0.5159)
    assert shown == pytest.approx(0.516, abs=0.003)
    assert rocking_fwhm_deg(38.5, 0.3, optics, 40.0) == pytest.approx(shown, abs=2e-3)


@pytest.mark.parametrize("mosaic", [0.1, 0.4, 1.0, 6.0])
def test_mosaic_comes_back_from_the_rocking_width(mosaic):
    optics = Optics()
    shown = rocking_fwhm_deg(38.5, mosaic, optics, 10.0)
    assert mosaic_from_rocking_fwhm_deg(38.5, shown, optics, 10.0) == pytest.approx(
        mosaic, rel=1e-3
    )
    assert shown > mosaic


def test_perfect_crystal_rocks_over_the_divergence():
    optics = Optics()
    assert rocking_fwhm_deg(38.5, 0.0, optics, 40.0) == pytest.approx(0.5)
    assert mosaic_from_rocking_fwhm_deg(38.5, 0.45, optics, 40.0) == 0.0


def test_leaving_the_divergence_in_the_mosaic_costs_a_fifth_of_the_window():
    optics, losses = Optics(), []
    for mosaic in (0.3, 0.4, 0.5):
        shown = rocking_fwhm_deg(38.5, mosaic, optics, 40.0)
        wrong = window_aligned(38.5, shown, optics, 40.0)
        losses.append(float(1.0 - wrong / window_aligned(38.5, mosaic, optics, 40.0)))
    assert min(losses) > 0.13
    assert max(losses) < 0.25


def test_negative_mosaic_is_refused():
    with pytest.raises(ValueError, match="must not be negative"):
        window_aligned(30.0, -1.0, Optics(), 10.0)


def test_shapes_follow_the_arguments():
    optics = Optics()
    assert window_aligned(30.0, 1.0, optics, 10.0).shape == ()
    assert window_aligned(np.full((3, 1), 30.0), np.ones(4), optics, 10.0).shape == (3, 4)
    assert window_aligned(
        np.full((3, 1), 30.0), np.ones(4), Optics(axial="two_stacks"), 10.0
    ).shape == (3, 4)
    assert window_random([30.0, 40.0], [2, 8], optics, 10.0).shape == (2,)
