from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from xrdfilm.crystal import line_list, load_phase
from xrdfilm.errors import CannotTellError
from xrdfilm.intensity.optics import Optics
from xrdfilm.lines import MeasuredLine, MeasuredLines, Reflection
from xrdfilm.texture.layer_lines import complete_members, label, usable_lines

YBCO = load_phase("YBCO")
OPTICS = Optics()
LISTED = line_list(YBCO, OPTICS.radiation, two_theta_max_deg=80.0)


def _line(*hkls, phase="YBCO", fwhm=0.2, area=100.0, flags=()):
    place = float(LISTED.two_theta_deg[LISTED.index(hkls[0])])
    members = tuple(Reflection(phase, h) for h in hkls)
    return MeasuredLine(
        members, "forced", place, place, 0, area, 1.0, fwhm, 0, 0.2, area, 1, 2, 10, flags
    )


def _lines(*rows):
    return MeasuredLines(rows, np.eye(len(rows)))


def test_reflections_under_a_line_count_with_it():
    # (014) lies 0.03 degrees above (005), (104) 0.28: within and beyond 0.6 of the width
    lines = _lines(_line((0, 0, 5)), _line((2, 0, 0)))
    assert complete_members(lines, YBCO, OPTICS) == (((0, 0, 5), (0, 1, 4)), ((2, 0, 0),))
    wide = _lines(_line((0, 0, 5), fwhm=0.5))
    assert complete_members(wide, YBCO, OPTICS) == (((0, 0, 5), (0, 1, 4), (1, 0, 4)),)


def test_a_reflection_with_a_line_of_its_own_is_not_counted_twice():
    lines = _lines(_line((0, 0, 5)), _line((0, 1, 4)))
    assert complete_members(lines, YBCO, OPTICS) == (((0, 0, 5),), ((0, 1, 4),))


def test_members_do_not_depend_on_how_the_scan_lies():
    """(010) stands 0.2° below (100): a scan displaced by as much must not count it along."""
    line = replace(_line((1, 0, 0), fwhm=0.1), expected_deg=22.87, two_theta_deg=22.87)
    assert complete_members(_lines(line), YBCO, OPTICS) == (((1, 0, 0),),)


def test_members_go_by_the_listed_name_of_their_family():
    named = replace(_line((2, 0, 0)), members=(Reflection("YBCO", (-2, 0, 0)),))
    assert complete_members(_lines(named), YBCO, OPTICS) == (((2, 0, 0),),)


def test_a_reflection_that_symmetry_bars_is_refused():
    barred = replace(_line((0, 0, 5)), members=(Reflection("CeO2", (1, 0, 0)),))
    with pytest.raises(CannotTellError, match=r"CeO2 \(100\) is no reflection of CeO2"):
        complete_members(_lines(barred), load_phase("CeO2"), OPTICS)


def test_usable_lines_are_the_layers_own_and_soundly_measured():
    blend = replace(
        _line((2, 0, 0)), members=(Reflection("YBCO", (2, 0, 0)), Reflection("CeO2", (2, 2, 0)))
    )
    foreign = replace(_line((1, 0, 0)), members=(Reflection("CeO2", (2, 0, 0)),))
    lines = _lines(
        _line((0, 0, 5)),
        blend,
        foreign,
        _line((0, 0, 7), flags=("cut_off",)),
        _line((1, 1, 3), area=np.nan),
        _line((1, 0, 2), area=-3.0, flags=("held_place",)),
    )
    usable, reasons = usable_lines(lines, YBCO)
    assert usable == [0, 5]  # a negative area is a measurement like any other
    assert reasons == [
        ("(200)", "measured as one with CeO2 (220)"),
        ("(007)", "window cut off"),
        ("(113)", "its area has no uncertainty"),
    ]


def test_labels_name_the_phase_only_where_it_is_another():
    assert label(Reflection("YBCO", (0, 0, 10)), YBCO) == "(0 0 10)"
    assert label(Reflection("CeO2", (2, 0, 0)), YBCO) == "CeO2 (200)"
    assert label("(006)", YBCO) == "(006)"
