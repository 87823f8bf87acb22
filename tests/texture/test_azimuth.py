from __future__ import annotations

import numpy as np
import pytest

from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import from_normal
from xrdfilm.intensity.optics import Optics
from xrdfilm.texture.azimuth import areas_at, azimuth_box_deg, azimuth_scan, twist_fwhm

PHI = np.arange(0.0, 360.01, 0.5)
BACKGROUND = 30.0


def _gauss(x, centre, fwhm):
    return np.exp(-4 * np.log(2) * ((x - centre) / fwhm) ** 2)


def _mean(phi, *, fwhm=6.0, top=1000.0, rotated=0.05, random=0.03, offset=12.0, extra=None):
    """Expected counts, shares by construction: areas of a turn add up to the whole."""
    area = 4 * top * fwhm * np.sqrt(np.pi / np.log(2)) / 2
    turned = extra[1] if extra else 0.0
    whole = area / (1.0 - rotated - random - turned)
    y = np.full(phi.size, BACKGROUND + whole * random / 360.0)
    for k in range(-1, 6):
        y += top * _gauss(phi, offset + 90 * k, fwhm)
        y += top * rotated * whole / area * _gauss(phi, offset + 45 + 90 * k, fwhm)
        for sign in (1, -1) if extra else ():
            y += (
                0.5
                * top
                * turned
                * whole
                / area
                * _gauss(phi, offset + sign * extra[0] + 90 * k, fwhm)
            )
    return y


def _counts(seed, phi=PHI, **kwargs):
    return np.random.default_rng(seed).poisson(_mean(phi, **kwargs)).astype(float)


def test_five_per_cent_rotated_and_three_per_cent_random_are_held():
    held = np.zeros(3)
    rotated, random, widths = [], [], []
    rng = np.random.default_rng(11)
    for seed in range(24):
        off = rng.poisson(BACKGROUND * 400) / 400
        scan = azimuth_scan(
            PHI, _counts(seed), background_counts=off, background_sigma=(BACKGROUND / 400) ** 0.5
        )
        assert scan.rotated is not None
        held += [
            scan.rotated.low <= 0.05 <= scan.rotated.high,
            scan.in_plane_random.low <= 0.03 <= scan.in_plane_random.high,
            scan.fwhm_deg.low <= 6.0 <= scan.fwhm_deg.high,
        ]
        rotated.append(scan.rotated.estimate)
        random.append(scan.in_plane_random.estimate)
        widths.append(scan.fwhm_deg.value)
    assert np.all(held >= 20)
    assert np.mean(rotated) == pytest.approx(0.05, abs=0.001)
    assert np.mean(random) == pytest.approx(0.03, abs=0.005)
    assert np.max(np.abs(np.array(widths) / 6.0 - 1)) < 0.02  # at 10³ peak counts


def test_number_and_spacing_of_the_peaks():
    scan = azimuth_scan(PHI, _counts(1), background_counts=BACKGROUND)
    assert len(scan.peak_centres_deg) == 4
    assert scan.spacing_deg == pytest.approx(90.0, abs=4 * scan.spacing_sigma_deg)
    assert scan.peak_centres_deg[0] == pytest.approx(12.0, abs=0.1)
    total = sum(c.share.estimate for c in scan.components) + scan.in_plane_random.estimate
    assert total == pytest.approx(1.0)


def test_a_peak_at_the_end_of_the_turn_counts_once():
    scan = azimuth_scan(PHI, _counts(2, offset=0.0), background_counts=BACKGROUND)
    assert len(scan.peak_centres_deg) == 4
    assert np.ptp(scan.peak_areas_counts_deg) < 0.1 * np.mean(scan.peak_areas_counts_deg)


def test_the_instrument_is_taken_off():
    phi = np.arange(0.0, 360.0, 0.1)
    fine = np.arange(-0.4, 0.41, 0.02)
    mean = np.mean([_mean(phi + d, fwhm=1.2, rotated=0.0, random=0.0) for d in fine], axis=0)
    counts = np.random.default_rng(3).poisson(mean).astype(float)
    wide = azimuth_scan(phi, counts)
    true = azimuth_scan(phi, counts, instrument_box_deg=0.82)
    assert true.fwhm_deg.value == pytest.approx(1.2, rel=0.02)
    assert wide.fwhm_deg.value > 1.25


def test_box_in_azimuth_is_the_divergence_over_the_sine_of_the_tilt():
    optics = Optics(divergence_deg=0.5)
    # an overspill-free sample of 100 mm: the slit's opening, stretched by 1/sin(45.5)
    assert azimuth_box_deg(32.8, 45.5, optics, 100.0) == pytest.approx(0.5 / 0.7133, rel=1e-3)


def test_a_pole_along_the_normal_is_refused():
    with pytest.raises(CannotTellError, match="along the normal"):
        azimuth_box_deg(38.5, 0.0, Optics(), 10.0)


def test_twist_without_the_tilts_part():
    width = from_normal(5.0, 0.1, bounds=(0.0, None))
    # 5² = 4² + (3·cot45)²
    twist = twist_fwhm(width, 3.0, 0.0, 45.0)
    assert twist.value == pytest.approx(4.0)
    assert twist.sigma == pytest.approx(5.0 * 0.1 / 4.0, rel=0.05)
    explained = twist_fwhm(width, 5.5, 0.3, 45.0)
    assert explained.value is None
    assert explained.low == 0.0


def test_peaks_nobody_asked_for_are_found_and_counted():
    scan = azimuth_scan(PHI, _counts(4, extra=(18.0, 0.06)), background_counts=BACKGROUND)
    extra = scan.components[2]
    assert extra.rotation_deg == pytest.approx(18.0, abs=0.5)
    assert extra.peaks_seen == 8
    assert abs(extra.share.estimate - 0.06) < 3.0 * extra.share.sigma
    assert "not asked for" in scan.notes[0]


def test_no_false_sets_in_a_clean_film():
    for seed in range(8):
        scan = azimuth_scan(PHI, _counts(seed, rotated=0.0, random=0.0))
        assert len(scan.components) == 2
        assert scan.rotated is not None
        assert scan.rotated.high < 0.02


def test_without_background_random_is_a_limit():
    scan = azimuth_scan(PHI, _counts(5))
    assert scan.in_plane_random.value is None
    assert scan.in_plane_random.high > 0.03
    assert "was not measured" in scan.notes[-1]
    assert sum(c.share.estimate for c in scan.components) == pytest.approx(1.0)


def test_part_of_a_turn_says_what_it_rests_on():
    phi = np.arange(0.0, 100.01, 0.5)
    scan = azimuth_scan(phi, _counts(6, phi), background_counts=BACKGROUND)
    assert len(scan.peak_centres_deg) == 1
    assert "only 1 of 4 peaks" in scan.notes[0]
    assert scan.fwhm_deg.value == pytest.approx(6.0, rel=0.03)
    assert scan.spacing_deg is None


@pytest.mark.parametrize("end", [60.0, 88.0])
def test_under_ninety_degrees_is_refused(end):
    phi = np.arange(0.0, end, 0.5)
    with pytest.raises(CannotTellError, match="less than the 90°"):
        azimuth_scan(phi, _counts(7, phi))


def test_no_peaks_and_saturation_are_refused():
    flat = np.random.default_rng(8).poisson(30.0, PHI.size).astype(float)
    with pytest.raises(CannotTellError, match="no peaks above its level"):
        azimuth_scan(PHI, flat)
    with pytest.raises(CannotTellError, match="saturates"):
        azimuth_scan(PHI, np.minimum(_counts(8, top=9000.0), 3000.0))


def test_areas_where_nothing_may_show():
    like = azimuth_scan(PHI, _counts(9), background_counts=BACKGROUND)
    blank = np.random.default_rng(9).poisson(40.0, PHI.size).astype(float)
    area, sigma = areas_at(PHI, blank, like)
    assert abs(area) < 3.5 * sigma
    again, _ = areas_at(PHI, _counts(10, rotated=0.0, random=0.0), like)
    assert again == pytest.approx(4 * 1000 * 6.0 * 1.0645, rel=0.02)
