"""The pole sketch: places on the drawing, and what is said of it."""

import xml.etree.ElementTree as ET

import numpy as np
import pytest

from xrdfilm.analysis.picture import PoleMap
from xrdfilm.report.pole_sketch import A_AXIS, C_AXIS, marks, svg, words

POLES = PoleMap(
    "YBCO (102)",
    np.array([[56.79, 0.0], [56.79, 90.0], [56.79, 180.0], [56.79, 270.0]]),
    np.array([[33.21, 90.0], [33.21, 270.0]]),
    (20.0, 70.0),
)


def test_tilt_runs_outwards_and_azimuth_round() -> None:
    at = marks(np.array([[90.0, 0.0], [45.0, 90.0], [30.0, 180.0]]))
    assert at == pytest.approx(np.array([[100.0, 0.0], [0.0, 50.0], [-100.0 / 3.0, 0.0]]))


def test_every_pole_is_drawn_once_and_said() -> None:
    root = ET.fromstring(str(svg(POLES)))
    marks = {look: part for part in root if len(part) and (look := part.get("fill")) != "none"}
    filled = [c for c in marks[C_AXIS] if c.get("cx")]
    open_marks = [c for c in marks["#fff"] if c.get("cx")]
    assert marks["#fff"].get("stroke") == A_AXIS
    assert marks[C_AXIS].get("stroke") is None
    assert len(filled) == 4
    assert len(open_marks) == 2
    # up on the page is a larger azimuth: the pole at 90° stands above the centre
    assert min(float(c.get("cy") or 0.0) for c in filled) == pytest.approx(-63.1, abs=0.05)
    assert root.get("aria-label") == words(POLES)
    assert "4 poles of c-axis grains at χ = 57°" in words(POLES)
    assert "scanned over χ from 20° to 70°" in words(POLES)


def test_an_azimuth_scan_is_a_circle() -> None:
    text = str(svg(PoleMap("x", POLES.c_axis, POLES.a_axis, (45.0, 45.0))))
    assert '<circle r="50" stroke="#575c68"' in text
    assert "scanned at χ = 45°" in text
