"""HF of a line: worked by hand from atomic weights and the cell."""

import pytest

from xrdfilm.planning.exhaust import (
    FLUORINE_IN_INK,
    FLUORINE_IN_PYROLYSIS,
    plan_exhaust,
)
from xrdfilm.safety import hf_limit


def square_metre(**about):
    """A square metre an hour: 100 m/h of 10 mm tape."""
    return plan_exhaust(speed_m_h=100.0, width_mm=10.0, thickness_nm=1000.0, **about)


def test_growth_of_a_square_metre_and_a_micrometre():
    # 1e-6 m³ / 173.43e-30 m³ a formula unit / 6.02214e23 = 9.575e-3 mol; times 4 HF of 20.006 g
    by_hand = 1e-6 / 173.43e-30 / 6.02214076e23 * 4.0 * 20.0063
    plan = square_metre()
    assert plan.area_m2_h == pytest.approx(1.0)
    assert plan.growth.hf_g_h == pytest.approx(by_hand, rel=1e-6)
    assert plan.growth.hf_g_h == pytest.approx(0.766, abs=5e-4)
    # HF + NaOH: 39.997 g for 20.006 g
    assert plan.growth.sodium_hydroxide_g_h == pytest.approx(1.53, abs=5e-3)
    assert plan.growth.hf_L_h == pytest.approx(0.94, abs=5e-3)
    assert not plan.growth.upper_bound


def test_air_that_dilutes_it_to_published_limits():
    growth = square_metre().growth
    assert growth.air_m3_h(hf_limit("OSHA", "PEL-TWA")) == pytest.approx(312.0, abs=1.0)
    assert growth.air_m3_h(hf_limit("ACGIH", "TLV-TWA")) == pytest.approx(1874.0, abs=2.0)


def test_pyrolysis_is_an_upper_bound_of_35_against_4_fluorine():
    # 3 + 2·2 + 3·2 = 13 trifluoroacetates of 3 F; 4 stay as 2 BaF2
    assert (FLUORINE_IN_INK, FLUORINE_IN_PYROLYSIS) == (39, 35)
    share = 4 / FLUORINE_IN_INK
    assert share == pytest.approx(0.103, abs=5e-4)  # 10.3 %, Wu et al. 2014
    plan = square_metre()
    assert plan.pyrolysis.hf_g_h / plan.growth.hf_g_h == pytest.approx(35.0 / 4.0)
    assert plan.pyrolysis.upper_bound
    low = square_metre(fluorine_in_pyrolysis=6.0)
    assert low.pyrolysis.hf_g_h / low.growth.hf_g_h == pytest.approx(6.0 / 4.0)


def test_everything_is_linear_in_speed_width_thickness_and_sides():
    one = plan_exhaust(speed_m_h=36.0, width_mm=12.0, thickness_nm=1000.0)
    assert one.growth.hf_g_h == pytest.approx(0.766 * 0.432, rel=1e-3)
    two = plan_exhaust(speed_m_h=72.0, width_mm=24.0, thickness_nm=500.0, sides=2)
    assert two.growth.hf_g_h == pytest.approx(4.0 * one.growth.hf_g_h)


def test_cautions_dates_and_deference_stand_beside_the_figures():
    plan = square_metre()
    text = " ".join(plan.cautions)
    for words in (
        "poisonous", "calcium gluconate", "upper bound", "fluorocarbon", "neutralised, not",
        "no design of exhaust", "Local codes and licensed practice govern",
    ):  # fmt: skip
        assert words in text
    assert text.count("Local codes and licensed practice govern") == 1
    assert all(limit.year >= 1970 and str(limit.year) in str(limit) for limit in plan.limits)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"speed_m_h": 0.0}, "speed must be above 0"),
        ({"width_mm": -1.0}, "width must be above 0"),
        ({"thickness_nm": float("nan")}, "thickness must be above 0"),
        ({"sides": 3}, "1 or 2 sides"),
        ({"fluorine_in_pyrolysis": 40.0}, "between 0 and 35"),
    ],
)
def test_figures_that_make_no_sense_are_refused(change, told):
    about = {"speed_m_h": 36.0, "width_mm": 12.0, "thickness_nm": 1000.0} | change
    with pytest.raises(ValueError, match=told):
        plan_exhaust(**about)
