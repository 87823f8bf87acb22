from __future__ import annotations

import importlib.util
import re
from dataclasses import replace
from math import asin, cos, degrees, erf, exp, pi, radians, sin, sqrt
from pathlib import Path

import numpy as np
import pytest

from xrdfilm import results
from xrdfilm.crystal import f_squared, line_list, load_phase
from xrdfilm.crystal.attenuation import linear_attenuation_per_cm
from xrdfilm.errors import CannotTellError
from xrdfilm.intensity.model import a_axis, c_axis, line_strengths, other_103, random
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.lines import MeasuredLine, MeasuredLines, Reflection
from xrdfilm.texture.orientation import (
    as_record,
    estimate_orientation,
    fractions_of_ratio,
)
from xrdfilm.texture.response import Mosaic

ROOT = Path(__file__).parents[2]
YBCO = load_phase("YBCO")
OPTICS = Optics()
STACK = Stack(Layer(YBCO, 800.0), (), Layer(load_phase("SrTiO3"), None))
LISTED = line_list(YBCO, OPTICS.radiation, two_theta_max_deg=80.0)
BLENDS = (
    ((1, 0, 2), (0, 1, 2)),
    ((1, 0, 3), (0, 1, 3), (1, 1, 0)),
    ((0, 0, 5), (0, 1, 4)),
    ((1, 1, 3),),
    ((2, 0, 0),),
    ((0, 0, 7),),
)
KNOWN = {"c_axis": Mosaic.from_measurement(1.0, 0.02), "a_axis": Mosaic.from_measurement(1.0, 0.02)}


def _strength(hkl, orientation, optics=OPTICS):
    at = LISTED.index(hkl)
    return line_strengths(
        YBCO,
        [hkl],
        [LISTED.multiplicity[at]],
        [LISTED.f_squared[at]],
        [LISTED.two_theta_deg[at]],
        orientation,
        optics,
        STACK,
        0,
    )[0]


def _line(hkls, area, sigma, *, phase="YBCO", flags=(), fwhm=0.2):
    place = float(LISTED.two_theta_deg[LISTED.index(hkls[0])])
    members = tuple(Reflection(phase, h) for h in hkls)
    return MeasuredLine(
        members,
        "forced",
        place,
        place,
        0.0,
        area,
        sigma,
        fwhm,
        0.01,
        0.2,
        area / sigma,
        1.0,
        2.0,
        10.0,
        flags,
    )


def _lines(shares, blends=BLENDS, *, scale=1e9, relative=0.01, floor=0.05):
    """Noise-free areas of a film with these shares and 1 degree of mosaic."""
    kinds = {"c_axis": c_axis(1.0), "a_axis": a_axis(1.0), "random": random()}
    kinds["other"] = other_103(1.0)
    rows = []
    for blend in blends:
        area = scale * sum(
            share * sum(_strength(h, kinds[name]) for h in blend) for name, share in shares.items()
        )
        rows.append(_line(blend, area, float(np.hypot(relative * area, floor))))
    return MeasuredLines(tuple(rows), np.diag([r.area_sigma_counts_deg**2 for r in rows]))


def _estimate(lines, **kwargs):
    kwargs.setdefault("mosaics", KNOWN)
    return estimate_orientation(lines, YBCO, OPTICS, STACK, **kwargs)


def test_moshfegh_ratio():
    # Moshfegh et al., Jpn. J. Appl. Phys. 34 (1995) 6036: V_c = 5.5 V_a is 85 % c-axis
    assert fractions_of_ratio(5.5) == pytest.approx(0.846, abs=5e-4)


@pytest.mark.parametrize(
    "shares",
    [
        {"c_axis": 0.7, "a_axis": 0.2, "random": 0.1},
        {"c_axis": 1.0, "a_axis": 0.0, "random": 0.0},
        {"c_axis": 0.2, "a_axis": 0.6, "random": 0.2},
    ],
)
def test_noise_free_areas_give_the_shares(shares):
    found = _estimate(_lines(shares))
    for name, truth in shares.items():
        assert found.shares[name].estimate == pytest.approx(truth, abs=1e-6)
        assert found.shares[name].low <= truth <= found.shares[name].high
    assert found.c_axis.estimate + found.a_axis.estimate + found.random.estimate == (
        pytest.approx(1.0)
    )
    assert found.chi_square == pytest.approx(0.0, abs=1e-6)
    assert found.dof == 3


def test_structure_factor_ratio_in_the_limits_of_the_window():
    # by hand: |F005/F200|² = 0.250, times (1 + cos²2θ)/sin2θ 0.328; without absorption
    thin = replace(STACK, film=Layer(YBCO, 0.01))

    def ratio(mosaic, optics, sample_mm=1000.0):
        stack = replace(thin, sample_length_mm=sample_mm)
        values = []
        for hkl, orientation in (((0, 0, 5), c_axis(mosaic)), ((2, 0, 0), a_axis(mosaic, 1.0))):
            at = LISTED.index(hkl)
            strength = line_strengths(
                YBCO,
                [hkl],
                [2],
                [LISTED.f_squared[at]],
                [LISTED.two_theta_deg[at]],
                orientation,
                optics,
                stack,
                0,
            )[0]
            # the path of a thin film goes as 1/sinθ
            values.append(strength * np.sin(np.radians(LISTED.two_theta_deg[at] / 2)))
        return values[0] / values[1]

    broad = Optics(divergence_deg=15.0, axial_acceptance_deg=30.0)
    assert ratio(0.5, broad) == pytest.approx(0.328, abs=0.005)  # equal mosaics, broad optics
    assert ratio(0.001, Optics()) == pytest.approx(0.328, abs=0.005)  # single crystals
    # a mosaic broader than the window adds the powder Lorentz factor's 1/sinθ
    sines = np.sin(np.radians(LISTED.two_theta_deg[LISTED.index((2, 0, 0))] / 2)) / np.sin(
        np.radians(LISTED.two_theta_deg[LISTED.index((0, 0, 5))] / 2)
    )
    assert ratio(25.0, Optics()) == pytest.approx(0.328 * sines, rel=0.02)


def _table():
    page = (ROOT / "docs" / "methods" / "orientation.md").read_text(encoding="utf-8")
    text = page.split("## By hand")[1].split("\n## ")[0]
    rows = {}
    for line in text.splitlines():
        cells = [c.strip() for c in re.split(r"(?<!\\)\|", line)[1:-1]]
        if len(cells) == 4 and cells[0] and not cells[0].startswith((":", "-", "factor")):
            rows[cells[0]] = [float(c) if c else None for c in cells[1:]]
    return rows, text


def _by_hand():
    """Every factor of the docs' worked example, from its formulas alone."""
    mu, thickness = linear_attenuation_per_cm(YBCO, OPTICS.radiation.mean_A), 800e-7
    columns = []
    for hkl, g in (((0, 0, 5), 1.0), ((2, 0, 0), 0.5)):
        d = float(YBCO.cell.d_spacing(np.array([hkl]))[0])
        theta = asin(1.5405929 / (2 * d))
        f2 = float(f_squared(YBCO, np.array([hkl]), OPTICS.radiation.mean_A)[0])
        box = min(radians(0.5), 10.0 * sin(theta) / 240.0)
        a = radians(2.3) / (2 * sin(theta))
        sigma = radians(1.0) / 2.3548
        u = a / (sqrt(2) * sigma)
        columns.append(
            {
                "2θ (K-alpha1), degrees": degrees(2 * theta),
                "sinθ": sin(theta),
                r"\|F\|², e² a cell": f2,
                "P": (1 + cos(2 * theta) ** 2) / 2,
                "1/sin2θ": 1 / sin(2 * theta),
                "T, nm": (1 - exp(-2 * mu * thickness / sin(theta))) / (2 * mu) * 1e7,
                "δ', degrees": degrees(box),
                "a, degrees": degrees(a),
                "σ, degrees": degrees(sigma),
                "erf(δ'/(2√2 σ))": erf(box / (2 * sqrt(2) * sigma)),
                "u": u,
                "bracket": erf(u) - (1 - exp(-u * u)) / (sqrt(pi) * u),
                "g": g,
            }
        )
    return columns


def test_the_worked_example_of_the_docs():
    rows, text = _table()
    first, second = _by_hand()
    product = 1.0
    for name, value in first.items():
        told = rows[name]
        assert told[0] == pytest.approx(value, rel=2e-4), name
        assert told[1] == pytest.approx(second[name], rel=2e-4), name
        if told[2] is not None:
            assert told[2] == pytest.approx(value / second[name], rel=2e-4), name
            product *= value / second[name]
    assert rows["all factors"][2] == pytest.approx(product, rel=2e-4)
    ratio = 1000 / 150 / product
    assert f"{ratio:.3f}" in text
    assert f"{1 / (1 + ratio):.4f}" in text
    # and the package says the same
    strengths = [_strength((0, 0, 5), c_axis(1.0)), _strength((2, 0, 0), a_axis(1.0))]
    assert strengths[0] / strengths[1] == pytest.approx(product, rel=1e-3)


def test_wider_mosaic_of_the_a_axis_grains_is_made_good():
    sharp = _strength((2, 0, 0), a_axis(1.0)) * 0.2
    broad = _strength((2, 0, 0), a_axis(2.0)) * 0.2
    lines = _lines({"c_axis": 0.7, "a_axis": 0.2, "random": 0.1})
    rows = list(lines.lines)
    rows[4] = replace(rows[4], area_counts_deg=rows[4].area_counts_deg * broad / sharp)
    lines = MeasuredLines(tuple(rows), lines.area_covariance)
    told = _estimate(lines, mosaics={**KNOWN, "a_axis": Mosaic.from_measurement(2.0, 0.05)})
    assert told.a_axis.estimate == pytest.approx(0.2, abs=1e-3)
    blind = _estimate(lines, mosaics={"c_axis": KNOWN["c_axis"]})
    assert blind.a_axis.estimate < 0.12
    assert blind.a_axis.low < 0.2 < blind.a_axis.high  # the interval says so
    assert blind.a_axis.sources["mosaic"] > 0.5 * blind.a_axis.sigma


def test_a_b_blend_under_006_is_not_counted_twice():
    shares = {"c_axis": 0.6, "a_axis": 0.3, "random": 0.1}
    blends = (*BLENDS, ((0, 0, 6), (0, 2, 0)))
    found = _estimate(_lines(shares, blends))
    assert found.a_axis.estimate == pytest.approx(0.3, abs=1e-6)
    assert found.c_axis.estimate == pytest.approx(0.6, abs=1e-6)


def test_a_and_b_normal_are_told_apart_where_0k0_is_measured():
    blends = (*BLENDS, ((0, 0, 6),), ((0, 2, 0),))
    lines = _lines({"c_axis": 0.6, "a_axis": 0.3, "random": 0.1}, blends)
    rows = list(lines.lines)
    # two thirds of the a-axis grains are b-normal
    rows[4] = replace(rows[4], area_counts_deg=rows[4].area_counts_deg * 2 / 3)
    rows[-1] = replace(rows[-1], area_counts_deg=rows[-1].area_counts_deg * 4 / 3)
    found = _estimate(MeasuredLines(tuple(rows), lines.area_covariance))
    assert found.b_normal is not None
    assert found.b_normal.estimate == pytest.approx(0.2, abs=2e-3)
    assert found.a_axis.estimate == pytest.approx(0.3, abs=3e-3)
    assert "told apart" in " ".join(found.notes)


def test_a_hidden_line_is_left_out_with_its_reason():
    lines = _lines({"c_axis": 0.7, "a_axis": 0.2, "random": 0.1})
    rows = list(lines.lines)
    rows[4] = replace(
        rows[4], members=(Reflection("YBCO", (2, 0, 0)), Reflection("CeO2", (2, 2, 0)))
    )
    rows[5] = replace(rows[5], flags=("core_excluded",))
    found = _estimate(
        MeasuredLines(tuple(rows), lines.area_covariance),
        left_out=[(Reflection("YBCO", (0, 0, 6)), "hidden by K-beta ghost of Ni (200)")],
    )
    why = dict(found.lines_left_out)
    assert why["(200)"] == "measured as one with CeO2 (220)"
    assert why["(006)"].startswith("hidden by")
    assert "(007)" in why
    # nothing is left that tells of a-axis grains: said, not guessed
    assert found.a_axis.value is None
    assert (found.a_axis.low, found.a_axis.high) == (0.0, 1.0)
    assert found.c_axis.value is None
    assert found.c_axis.low == 0.0
    assert any("tilt scan of (102)" in note for note in found.notes)


def test_without_general_lines_random_is_not_told():
    lines = _lines({"c_axis": 0.8, "a_axis": 0.2, "random": 0.0}, BLENDS[2:3] + BLENDS[4:])
    found = _estimate(lines)
    assert found.random.value is None
    assert found.random.high == 1.0
    assert found.a_axis.value is None
    assert found.a_axis.estimate == pytest.approx(0.2, abs=1e-3)
    ruled_out = _estimate(lines, absent=["random"])
    assert ruled_out.a_axis.value == pytest.approx(0.2, abs=1e-3)
    assert "ruled out" in " ".join(ruled_out.notes)


def test_no_usable_line_is_refused():
    lines = _lines({"c_axis": 1.0})
    rows = tuple(replace(r, flags=("no_data",)) for r in lines.lines)
    with pytest.raises(CannotTellError, match=r"no line of YBCO can be used.*\(005\)"):
        _estimate(MeasuredLines(rows, lines.area_covariance))


def test_disagreeing_line_is_named_and_widens():
    truth = {"c_axis": 0.8, "a_axis": 0.1, "random": 0.1}

    def disturbed(blends):
        lines = _lines(truth, blends)
        rows = list(lines.lines)
        rows[5] = replace(rows[5], area_counts_deg=rows[5].area_counts_deg * 2.2)
        return _estimate(MeasuredLines(tuple(rows), lines.area_covariance))

    calm, off = _estimate(_lines(truth)), disturbed(BLENDS)
    assert off.c_axis.sigma > 1.5 * calm.c_axis.sigma
    # with (005) and (007) alone nobody can say which of them is wrong
    note = next(n for n in off.notes if "disagree" in n)
    assert "(005)" in note
    assert "against (007)" in note or "against (005)" in note
    # a third order tells
    third = disturbed((*BLENDS, ((0, 0, 4),), ((0, 0, 6), (0, 2, 0))))
    note = next(n for n in third.notes if "disagree" in n)
    assert "most (007)" in note
    assert "too strong" in note
    assert "against" not in note


def test_103_normal_grains_are_found_where_random_cannot_explain_the_lines():
    shares = {"c_axis": 0.85, "a_axis": 0.1, "random": 0.0, "other": 0.05}
    found = _estimate(_lines(shares))
    assert found.other is not None
    assert found.other.estimate == pytest.approx(0.05, abs=0.005)
    assert found.random.low == 0.0
    plain = _estimate(_lines({"c_axis": 0.8, "a_axis": 0.1, "random": 0.1}))
    assert plain.other is not None
    assert plain.other.value is None
    assert plain.other.high < 0.01


def test_explanation_adds_up():
    lines = _lines({"c_axis": 0.7, "a_axis": 0.2, "random": 0.1})
    found = _estimate(lines)
    for row, line in zip(found.explanation, lines, strict=True):
        given = row.as_dict(found.shares)["given_by"]
        # each part is rounded to the third digit of the area's uncertainty
        near = 0.005 * len(given) * row.area_sigma_counts_deg
        assert sum(given.values()) == pytest.approx(line.area_counts_deg, abs=near)
        assert row.predicted_counts_deg == pytest.approx(line.area_counts_deg, rel=1e-6)
    whole = found.explanation[2].per_unit["c_axis"]
    assert whole == pytest.approx(1e9 * _strength((0, 0, 5), c_axis(1.0)), rel=1e-6)
    assert found.scale == pytest.approx(1e9, rel=1e-6)


def test_record_is_of_the_schema():
    record = as_record(_estimate(_lines({"c_axis": 0.7, "a_axis": 0.2, "random": 0.1})))
    again = results.Orientation.model_validate_json(record.model_dump_json())
    assert again.route == "coupled"
    assert again.a_axis is not None
    assert again.a_axis.value == pytest.approx(0.2, abs=1e-6)
    assert again.degrees_of_freedom == 3
    assert len(again.explanation) == len(BLENDS)


def test_unknown_component_is_refused():
    with pytest.raises(ValueError, match="b_axis"):
        _estimate(_lines({"c_axis": 1.0}), mosaics={"b_axis": Mosaic()})


@pytest.mark.parametrize(
    ("case", "least"), [("measured", 0.90), ("none measured, differing by 2", 0.86)]
)
def test_calibration_in_short(case, least):
    """150 of the films of benchmarks/calibration_orientation.py; 2 sigma of a count are 4 %."""
    path = ROOT / "benchmarks" / "calibration_orientation.py"
    spec = importlib.util.spec_from_file_location("calibration_orientation", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    import sys

    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    found = module.calibrate(case, 150, seed=2)
    assert np.all(found["held"].mean(axis=0) > least)
    strong = found["top"] > 3e3
    assert np.all(
        np.abs(np.median(found["off"][strong], axis=0)) < 0.02 if case == "measured" else 1
    )
