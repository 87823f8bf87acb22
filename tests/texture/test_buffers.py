from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from xrdfilm import results
from xrdfilm.crystal import line_list, load_phase
from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import Estimate, from_normal
from xrdfilm.intensity.model import aligned_00l, aligned_111, line_strengths, random
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.lines import MeasuredLine, MeasuredLines, Reflection
from xrdfilm.texture.azimuth import azimuth_scan
from xrdfilm.texture.buffers import (
    against_template,
    buffer_orientation,
    compare_with_template,
    layer_record,
)
from xrdfilm.texture.peakshape import folded_peak
from xrdfilm.texture.response import Mosaic
from xrdfilm.texture.rocking import rocking_curve

OPTICS = Optics()
CERIA = load_phase("CeO2")
STACK = Stack(
    Layer(load_phase("YBCO"), 800.0), (Layer(CERIA, 75.0),), Layer(load_phase("Ni-5W"), None)
)
LISTED = line_list(CERIA, OPTICS.radiation, two_theta_max_deg=90.0)
KNOWN = {
    "aligned_00l": Mosaic.from_measurement(5.0, 0.1),
    "aligned_111": Mosaic.from_measurement(5.0, 0.1),
}


def _strength(hkl, orientation):
    at = LISTED.index(hkl)
    return line_strengths(
        CERIA,
        [hkl],
        [LISTED.multiplicity[at]],
        [LISTED.f_squared[at]],
        [LISTED.two_theta_deg[at]],
        orientation,
        OPTICS,
        STACK,
        1,
    )[0]


def _lines(part_111, hkls=((1, 1, 1), (2, 0, 0)), part_random=0.0, mosaic_111=5.0):
    rows = []
    for hkl in hkls:
        area = 1e9 * (
            (1 - part_111 - part_random) * _strength(hkl, aligned_00l(5.0))
            + part_111 * _strength(hkl, aligned_111(mosaic_111))
            + part_random * _strength(hkl, random())
        )
        sigma = float(np.hypot(0.01 * area, 0.02))
        place = float(LISTED.two_theta_deg[LISTED.index(hkl)])
        rows.append(
            MeasuredLine(
                (Reflection("CeO2", hkl),),
                "forced",
                place,
                place,
                0.0,
                float(area),
                sigma,
                0.25,
                0.01,
                0.2,
                1.0,
                1.0,
                2.0,
                10.0,
            )
        )
    return MeasuredLines(tuple(rows), np.diag([r.area_sigma_counts_deg**2 for r in rows]))


@pytest.mark.parametrize("part", [0.0, 0.02, 0.4])
def test_111_part_is_a_volume_not_the_index(part):
    found = buffer_orientation(_lines(part), OPTICS, STACK, 1, mosaics=KNOWN)
    assert found.fraction_111.estimate == pytest.approx(part, abs=1e-6)
    assert found.fraction_00l.estimate + found.fraction_111.estimate == pytest.approx(1.0)
    assert found.fraction_111.low <= part <= found.fraction_111.high
    if part == 0.4:  # (111) scatters more strongly than (200): the index misleads
        assert found.index_111 > 0.5


def test_index_of_sharp_grains_follows_structure_factors_and_windows():
    """Index by hand: |F|², polarisation, sin2θ, path and window of either line."""
    ratio = _strength((1, 1, 1), aligned_111(5.0)) / _strength((2, 0, 0), aligned_00l(5.0))
    found = buffer_orientation(_lines(0.1), OPTICS, STACK, 1, mosaics=KNOWN)
    assert found.index_111 == pytest.approx(0.1 * ratio / (0.1 * ratio + 0.9))


def test_unmeasured_mosaic_of_the_111_part_is_in_the_interval():
    lines = _lines(0.1, mosaic_111=10.0)
    blind = buffer_orientation(
        lines, OPTICS, STACK, 1, mosaics={"aligned_00l": KNOWN["aligned_00l"]}
    )
    assert blind.fraction_111.estimate < 0.06
    assert blind.fraction_111.low < 0.1 < blind.fraction_111.high
    assert "were not all measured" in " ".join(blind.notes)
    told = buffer_orientation(
        lines,
        OPTICS,
        STACK,
        1,
        mosaics={**KNOWN, "aligned_111": Mosaic.from_measurement(10.0, 0.2)},
    )
    assert told.fraction_111.estimate == pytest.approx(0.1, abs=1e-6)


def test_random_part_where_a_general_line_was_measured():
    hkls = ((1, 1, 1), (2, 0, 0), (2, 2, 0), (3, 1, 1))
    lines = _lines(0.05, hkls, part_random=0.2)
    found = buffer_orientation(lines, OPTICS, STACK, 1, mosaics=KNOWN, with_random=True)
    assert found.fraction_random is not None
    assert found.fraction_random.estimate == pytest.approx(0.2, abs=1e-6)
    plain = buffer_orientation(lines, OPTICS, STACK, 1, mosaics=KNOWN)
    assert plain.fraction_random is None
    assert set(plain.lines_used) == {"CeO2 (111)", "CeO2 (200)"}
    assert "taken as nil" in " ".join(plain.notes)


def test_disagreeing_orders_are_told():
    lines = _lines(0.05, ((1, 1, 1), (2, 0, 0), (4, 0, 0)))
    rows = list(lines.lines)
    rows[2] = replace(rows[2], area_counts_deg=3.0 * rows[2].area_counts_deg)
    found = buffer_orientation(
        MeasuredLines(tuple(rows), lines.area_covariance), OPTICS, STACK, 1, mosaics=KNOWN
    )
    assert "disagree" in found.notes[0]
    assert found.dof == 1


def test_missing_lines_are_refused_by_name():
    with pytest.raises(CannotTellError, match=r"CeO2 tells of its \(111\) grains"):
        buffer_orientation(_lines(0.1, ((2, 0, 0),)), OPTICS, STACK, 1)
    hidden = _lines(0.1)
    rows = (replace(hidden.lines[0], flags=("no_data",)), hidden.lines[1])
    with pytest.raises(CannotTellError, match=r"\(111\) no data"):
        buffer_orientation(MeasuredLines(rows, hidden.area_covariance), OPTICS, STACK, 1)
    with pytest.raises(CannotTellError, match=r"\(00l\) and \(111\)"):
        buffer_orientation(hidden.subset([]), OPTICS, STACK, 1)


def test_film_against_template():
    film, below = from_normal(5.0, 0.1), from_normal(6.0, 0.2)
    difference = against_template(film, below)
    assert difference is not None
    assert difference.value == pytest.approx(-1.0)
    assert difference.sigma == pytest.approx(np.hypot(0.1, 0.2))
    assert "sharper than CeO2" in compare_with_template(film, below, "in plane", "CeO2")
    assert "broader" in compare_with_template(below, film, "in plane", "CeO2")
    alike = compare_with_template(film, from_normal(5.1, 0.2), "in plane", "CeO2")
    assert "as sharp as" in alike
    limit = Estimate(None, 0.0, 0.2)
    assert against_template(film, limit) is None
    assert "cannot be compared" in compare_with_template(film, limit, "in plane", "CeO2")


def test_layer_record_keeps_the_directions_apart():
    omega = np.arange(-12.0, 12.01, 0.2)
    rng = np.random.default_rng(1)

    def curve(width, direction):
        mean = 10 + 9000 * folded_peak(omega, 0.0, width, 0.0)
        return rocking_curve(omega, rng.poisson(mean) * 1.0, direction=direction)

    phi = np.arange(0.0, 360.0, 0.5)
    mean = 20 + sum(9000 * folded_peak(phi, 45.0 + 90 * k, 6.0, 0.0) for k in range(4))
    record = layer_record(
        "CeO2",
        rocking=[curve(4.0, "RD"), curve(6.0, "TD")],
        azimuth=azimuth_scan(phi, rng.poisson(mean) * 1.0),
        orientation=buffer_orientation(_lines(0.02), OPTICS, STACK, 1, mosaics=KNOWN),
    )
    again = results.LayerTexture.model_validate_json(record.model_dump_json())
    assert again.rocking_fwhm_deg is not None
    assert again.rocking_fwhm_deg.value == pytest.approx(4.0, rel=0.05)
    assert again.azimuth_fwhm_deg is not None
    assert again.azimuth_fwhm_deg.value == pytest.approx(6.0, rel=0.05)
    assert again.fraction_111 is not None
    assert again.fraction_111.value == pytest.approx(0.02, abs=1e-6)
    assert "along RD: 4.0" in again.notes[0]
    assert "along TD: " in " ".join(again.notes)
