import numpy as np
import pytest

from xrdfilm.errors import StackError
from xrdfilm.intensity.optics import (
    Optics,
    axial_half_base_rad,
    divergence_on_sample_rad,
    overspill_below_deg,
    polarisation,
)


def test_polarisation_without_monochromator_is_the_textbook_factor():
    # (1 + cos²2θ)/2: International Tables for Crystallography, vol. C, 6.2 (from memory)
    assert polarisation([60.0, 90.0, 180.0], Optics()) == pytest.approx([0.625, 0.5, 1.0])


def test_graphite_monochromator_polarises_as_published():
    # graphite (002), 26.6 deg: k = 0.7995 and P(90 deg) = 0.5557, common in laboratory notes
    optics = Optics(monochromator_2theta_deg=26.6)
    assert optics.monochromator_factor == pytest.approx(0.7995, abs=5e-5)
    assert float(polarisation(90.0, optics)) == pytest.approx(0.5557, abs=5e-5)


def test_monochromator_hardly_changes_ratios_of_neighbouring_lines():
    optics, plain = Optics(monochromator_2theta_deg=26.6), Optics()
    gain = polarisation([24.9, 38.5, 47.5], optics) / polarisation([24.9, 38.5, 47.5], plain)
    assert gain == pytest.approx([1.011, 1.027, 1.042], abs=1e-3)


def test_fixed_slit_overspills_below_one_angle_and_is_full_above():
    optics = Optics(divergence_deg=0.5, goniometer_radius_mm=240.0)
    edge = overspill_below_deg(optics, 10.0)
    # the beam lights R δ / sinθ of the sample; it is 10 mm long at this angle
    lit = 240.0 * np.radians(0.5) / np.sin(np.radians(edge / 2.0))
    assert lit == pytest.approx(10.0)
    falling = np.degrees(divergence_on_sample_rad([edge / 2, edge, 2 * edge], optics, 10.0))
    assert falling[1:] == pytest.approx([0.5, 0.5])
    assert falling[0] == pytest.approx(
        0.5 * np.sin(np.radians(edge / 4)) / np.sin(np.radians(edge / 2))
    )


def test_long_sample_takes_the_whole_divergence():
    assert np.degrees(divergence_on_sample_rad(5.0, Optics(), 1000.0)) == pytest.approx(0.5)


def test_variable_slit_grows_with_the_sine_and_stops_at_the_sample():
    optics = Optics(slit="variable", illuminated_mm=8.0)
    angles = np.array([20.0, 60.0])
    expected = 8.0 * np.sin(np.radians(angles / 2)) / 240.0
    assert divergence_on_sample_rad(angles, optics, 10.0) == pytest.approx(expected)
    assert divergence_on_sample_rad(angles, optics, 4.0) == pytest.approx(expected / 2.0)
    assert overspill_below_deg(optics, 10.0) is None


def test_axial_window_is_wide_at_low_angles():
    half = np.degrees(axial_half_base_rad([60.0, 180.0], Optics(axial_acceptance_deg=2.0)))
    assert half == pytest.approx([2.0, 1.0])


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"slit": "narrow"}, "narrow"),
        ({"axial": "soap"}, '"two_stacks"'),
        ({"divergence_deg": None}, "state divergence_deg"),
        ({"slit": "variable"}, "state illuminated_mm"),
        ({"divergence_deg": -1.0}, "divergence_deg is -1"),
        ({"axial_acceptance_deg": float("nan")}, "axial_acceptance_deg is nan"),
        ({"goniometer_radius_mm": 0.24}, "goniometer_radius_mm is 0.24"),
        ({"illuminated_mm": 0.0, "slit": "variable"}, "illuminated_mm is 0"),
        ({"monochromator_2theta_deg": 200.0}, "monochromator_2theta_deg is 200"),
        ({"step_time_s": 0.0}, "step_time_s is 0"),
    ],
)
def test_optics_that_contradict_themselves_are_refused(change, told):
    with pytest.raises(StackError, match=told):
        Optics(**change)


def test_impossible_angle_and_sample_are_refused():
    with pytest.raises(ValueError, match="between 0 and 180"):
        divergence_on_sample_rad(-5.0, Optics(), 10.0)
    with pytest.raises(StackError, match="sample_length_mm is 0"):
        divergence_on_sample_rad(30.0, Optics(), 0.0)


def test_angle_without_reflection_stays_without_value():
    assert np.isnan(divergence_on_sample_rad([np.nan], Optics(), 10.0)).all()
